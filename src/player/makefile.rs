//! The Makefile of a project, and what it says of fuse bytes.

use super::fuses::{FuseBytes, NoFuses, named};
use super::options::{ProgramParts, ScheduleSource};
use super::wiring::Wiring;
use crate::rig::Rig;

/// The fuse bytes of the part of a wiring.
pub(super) fn fuses_of(rig: &Rig, wiring: &Wiring) -> Result<FuseBytes, NoFuses> {
    FuseBytes::of(
        wiring.controller,
        rig.controller.clock_source,
        rig.timer.clock,
    )
}

/// What fuse bytes select the clock, for a shell or a document.
pub(super) fn fuses_text(rig: &Rig, wiring: &Wiring) -> String {
    match fuses_of(rig, wiring) {
        Ok(FuseBytes {
            low,
            high,
            extended,
        }) => {
            let extended =
                extended.map_or_else(String::new, |byte| format!(", extended {byte:02X}"));
            format!(
                "Fuse bytes of an {} with {} of {}: low {low:02X}, high {high:02X}{extended}.",
                wiring.controller.compiler_name,
                named(rig.controller.clock_source),
                rig.timer.clock
            )
        }
        Err(none) => {
            let none = none.to_string();
            let first = none[..1].to_uppercase();
            format!(
                "{first}{}: change clock or clock_source in the rig.",
                &none[1..]
            )
        }
    }
}

/// What a wrong clock fuse does, and how it is undone.
pub(super) const WRONG_FUSE: &str = "A wrong clock fuse locks the part out: no programmer reaches it until a clock of 1 MHz or so, \
    from a generator or another microcontroller, is fed to its pin XTAL1. Write the right fuses while it is.";

pub(super) fn makefile(
    rig: &Rig,
    wiring: Option<&Wiring>,
    source: ScheduleSource,
    parts: ProgramParts,
) -> String {
    let (sources, fed) = match source {
        ScheduleSource::Memory => {
            let seek = if parts.seeks { " seek.c" } else { "" };
            let user = if parts.user_code { " user.c" } else { "" };
            (format!("table.c{seek}{user} schedule.c"), String::new())
        }
        ScheduleSource::Line { baud } => (
            "link.c".to_owned(),
            format!(" -DSTREAMED -DSTREAM_BAUD={baud}ul"),
        ),
    };
    let Some(wiring) = wiring else {
        return OTHER_MAKEFILE
            .replace("@SOURCES@", &sources)
            .replace("@FED@", &fed);
    };
    let (coils, switching) = if wiring.switches.is_empty() {
        ("", "")
    } else {
        (" coils_avr.c", " -DCOILS")
    };
    AVR_MAKEFILE
        .replace("@MCU@", wiring.controller.compiler_name)
        .replace("@SOURCES@", &sources)
        .replace("@COILS@", coils)
        .replace("@FED@", &fed)
        .replace("@SWITCHING@", switching)
        .replace("@FUSES@", &fuses_text(rig, wiring))
        .replace("@WRONG_FUSE@", WRONG_FUSE)
}

const AVR_MAKEFILE: &str = "\
# make            builds player.hex, for your programmer
# make size       says how much of the memory it takes
# make fuses      says which fuse bytes select the clock; they are in player.elf too
# make flash      writes player.hex to the part, with the command of your programmer:
#                 make flash PROGRAMMER='avrdude -p PART -c PROGRAMMER'
# Any other board: make objects CC=... CFLAGS=..., and see board.h.
MCU = @MCU@
PROGRAMMER =
WRITE = -U flash:w:player.hex:i
CC = avr-gcc
OBJCOPY = avr-objcopy
SIZE = avr-size
# Small code: with these the player without its schedule fits 4 KiB (avr-gcc 5.4).
SMALL = -Os -flto -mcall-prologues -frename-registers -fno-split-wide-types \\
\t-fno-move-loop-invariants -fno-tree-loop-optimize -fno-tree-ter -fno-tree-forwprop \\
\t-fno-tree-dominator-opts -fno-tree-tail-merge -fno-tree-dce -fno-tree-reassoc \\
\t-fno-ipa-icf -fno-guess-branch-probability -fno-ira-hoist-pressure \\
\t-mstrict-X
CFLAGS = -mmcu=$(MCU) $(SMALL)@SWITCHING@
LANGUAGE = -std=c99 -Wall -Wextra -pedantic@FED@
SOURCES = player.c @SOURCES@
HEADERS = $(wildcard *.h)

player.hex: player.elf
\t$(OBJCOPY) -O ihex -R .eeprom -R .fuse $< $@

player.elf: $(SOURCES) board_avr.c@COILS@ $(HEADERS)
\t$(CC) $(CFLAGS) $(LANGUAGE) $(SOURCES) board_avr.c@COILS@ -Wl,--gc-sections,--relax -o $@

size: player.elf
\t$(SIZE) $<

fuses:
\t@echo \"@FUSES@\"
\t@echo \"@WRONG_FUSE@\"

flash: player.hex
\t@test -n \"$(PROGRAMMER)\" || { echo \"name the command of your programmer: make flash PROGRAMMER='...'\" >&2; exit 1; }
\t$(PROGRAMMER) $(WRITE)

objects:
\t$(CC) $(CFLAGS) $(LANGUAGE) -c $(SOURCES)

clean:
\trm -f player.elf player.hex *.o

.PHONY: size fuses flash objects clean
";

const OTHER_MAKEFILE: &str = "\
# make objects    compiles the player; link it with your board's five functions
CC = cc
CFLAGS = -O2
LANGUAGE = -std=c99 -Wall -Wextra -pedantic@FED@
SOURCES = player.c @SOURCES@

objects:
\t$(CC) $(CFLAGS) $(LANGUAGE) -c $(SOURCES)

clean:
\trm -f *.o

.PHONY: objects clean
";
