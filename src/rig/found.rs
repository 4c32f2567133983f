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
            "your own motor's: “holding torque” in its data sheet, or the force on a lever, times its length, at \
             which the rotor gives way with both phases at rated current"
        }
        "rotor_inertia" => "your own motor's: “rotor inertia” in its data sheet",
        "kind" => {
            "whichever your drive is: `fixed-voltage` switches the supply onto the phases, `linear-current` and \
             `chopper` regulate their current"
        }
        "sequence" => "whichever your drive switches: `wave`, `two-phase` or `half-step`",
        "supply" => "your own supply's: a voltmeter at the drive, with the motor powered",
        "peak_current" => {
            "what your own drive is set to: the amplitude of the sine, √2 times its effective value"
        }
        "microsteps" => {
            "what your own drive is set to, by its switches or pins: microsteps a full step, 1 to 256"
        }
        "sense_resistor" => "the one that is fitted: see its print, or the circuit diagram",
        "converter_bits" => "your own converter's: “resolution” in its data sheet",
        "converter_reference" => {
            "your own converter's full scale: a voltmeter at its reference pin"
        }
        "mass" => "what travels on your own axis, weighed with all that it carries",
        "travel_per_turn" => {
            "your own axis': the lead of the screw, or teeth of the pulley times pitch of the belt"
        }
        "clock" => {
            "your own board's: the frequency printed on its crystal, or what the firmware sets its clock to"
        }
        "step_rate" | "torque" => "as it was measured on the bench",
        "motor" | "drive" => {
            "with your own values indented below it, or the path of a profile that holds them"
        }
        "axes" | "timer" => "with your own values",
        _ => "with your own value",
    }
}
