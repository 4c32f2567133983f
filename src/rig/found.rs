//! Where a builder finds the values that a rig has to have.

/// Where the value of a key is found, to be read behind “add `key: …`”.
pub(super) fn where_found(key: &str) -> &'static str {
    match key {
        "rotor_teeth" => {
            "from the step angle in your motor's data sheet, 90 deg over it: 50 for 1.8 deg (200 steps a turn), \
             100 for 0.9 deg; or give `step_angle` itself"
        }
        "phase_resistance" => {
            "your own motor's: “resistance per phase” in its data sheet, or a multimeter across the two ends of \
             one phase, unplugged"
        }
        "phase_inductance" => {
            "your own motor's: “inductance per phase” in its data sheet, or a meter for inductance across the \
             two ends of one phase, unplugged"
        }
        "rated_current" => {
            "your own motor's: “current per phase” in its data sheet or on its plate; where the plate gives a \
             voltage, that over the resistance of a phase"
        }
        "holding_torque" => {
            "your own motor's: “holding torque” in its data sheet, or lever length times the force at \
            which the rotor slips with both phases at rated current"
        }
        "rotor_inertia" => "your own motor's: “rotor inertia” in its data sheet",
        "active" => "the level that enables it, from your own drive's data sheet: `low` or `high`",
        "kind" => {
            "the type of your drive: `fixed-voltage` switches the supply onto the phases, `linear-current` and \
             `chopper` regulate their current"
        }
        "sequence" => "the sequence of your drive: `wave`, `two-phase` or `half-step`",
        "supply" => "your own supply's voltage, measured at the drive with the motor powered",
        "peak_current" => {
            "the setting of your own drive: the amplitude of the sine, √2 times its rms value"
        }
        "microsteps" => {
            "the setting of your own drive, by switches or pins: microsteps per full step, 1 to 256"
        }
        "sense_resistor" | "resistance" => {
            "the value that is fitted: see its marking, or the circuit diagram"
        }
        "converter_bits" => "your own converter's: “resolution” in its data sheet",
        "converter_reference" => {
            "your own converter's full scale: a voltmeter at its reference pin"
        }
        "diameter" | "inner" | "outer" | "length" => "measured on your own load",
        "mass" => "the mass that travels on your own axis, with all that it carries",
        "travel_per_turn" => {
            "the lead of your own axis's screw, or teeth of the pulley times pitch of the belt; a turning load has \
             `inertia` instead of `mass`, or `disc: { mass, diameter }`, `ring: { mass, inner, outer }`, \
             `rod: { mass, length }`: m·d²/8 for a disc, m·(d1² + d2²)/8 for a ring"
        }
        "clock" => {
            "your own board's: the frequency on its crystal, or the clock that its firmware sets"
        }
        "step_rate" | "torque" => "as measured on the bench",
        "motor" | "drive" => {
            "with your own values indented below it, or the path of a profile that holds them"
        }
        "axes" | "timer" => "with your own values",
        _ => "with your own value",
    }
}
