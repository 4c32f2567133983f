//! Converters on a serial bus, as they see their lines: while it is selected one shifts a bit in
//! at each edge of the clock that its mode names (0 and 3 rising, 1 and 2 falling), and both show
//! their codes with the end of a latch pulse (common practice of these parts).

use crate::player::{BusPins, PartPin};
use crate::rig::{ActiveLevel, DriveLines, SerialConverters};

/// The converters of one axis.
#[derive(Debug, Clone)]
pub(super) struct Converters {
    lines: BusPins,
    select: u8,
    latch: u8,
    serial: SerialConverters,
    /// The level of the data line, and what has been shifted since a converter was selected.
    data: u8,
    shifted: u32,
    count: u32,
    /// The codes that were taken last.
    taken: [u32; 2],
}

const fn level(active: ActiveLevel) -> u8 {
    match active {
        ActiveLevel::High => 1,
        ActiveLevel::Low => 0,
    }
}

impl Converters {
    /// None where the drive has none on a bus.
    pub(super) fn of(lines: Option<&BusPins>, drive: &DriveLines) -> Option<Self> {
        let (lines, serial) = (lines?.clone(), drive.serial?);
        assert!(!serial.is_shared, "one select line for each converter");
        Some(Self {
            lines,
            select: level(drive.select),
            latch: level(drive.latch),
            serial,
            data: 0,
            shifted: 0,
            count: 0,
            taken: [0; 2],
        })
    }

    /// A line has changed; the codes that are shown from then on, where that shows any.
    pub(super) fn see(&mut self, is: impl Fn(&PartPin) -> bool, level: u8) -> Option<[u32; 2]> {
        if is(&self.lines.data) {
            self.data = level;
        } else if is(&self.lines.clock) {
            let rising = matches!(self.serial.mode, 0 | 3);
            if rising == (level == 1) {
                self.shifted = self.shifted << 1 | u32::from(self.data);
                self.count += 1;
            }
        } else if let Some(phase) = self.lines.selects[0].iter().position(&is) {
            if level == self.select {
                (self.shifted, self.count) = (0, 0);
            } else if self.count > 0 {
                let frame = self.serial.frames[phase];
                assert_eq!(self.count, frame.length, "bits of a frame");
                assert_eq!(self.shifted & !frame.data_mask(), frame.fixed, "fixed bits");
                self.taken[phase] = (self.shifted & frame.data_mask()) >> frame.shift;
                self.count = 0;
            }
        } else if is(&self.lines.latch) && level != self.latch {
            return Some(self.taken);
        }
        None
    }
}
