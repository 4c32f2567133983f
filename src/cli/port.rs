//! The board's serial port, and why it cannot be used.

use std::io;
use std::time::Duration;

use serialport::{ErrorKind, SerialPort, SerialPortType};

use super::Failure;

/// What ports and boards are set to where nobody says (bits a second).
pub(super) const BAUD: u32 = 115_200;

/// Ports that are named at most where another one was meant.
const MOST_NAMED: usize = 4;

/// Opens a port at `baud` bits a second; reading waits for `listen` at most.
///
/// # Errors
/// It is not there, no serial port, in use, or not allowed.
pub(super) fn open(
    name: &str,
    baud: u32,
    listen: Duration,
) -> Result<Box<dyn SerialPort>, Failure> {
    let port = serialport::new(name, baud).timeout(listen);
    port.open()
        .map_err(|error| cannot_open(name, baud, error.kind()))
}

fn cannot_open(name: &str, baud: u32, kind: ErrorKind) -> Failure {
    let (kind, reason) = match kind {
        ErrorKind::Io(kind @ io::ErrorKind::NotFound) => {
            (kind, format!("it does not exist; {}", ports()))
        }
        ErrorKind::Io(kind @ io::ErrorKind::PermissionDenied) => (
            kind,
            "permission denied: on many systems the user must be in a group such as `dialout`, `uucp` or `tty`"
                .to_owned(),
        ),
        ErrorKind::NoDevice => (
            io::ErrorKind::ResourceBusy,
            "it is open in another program, or the board is not plugged in".to_owned(),
        ),
        ErrorKind::InvalidInput => (
            io::ErrorKind::InvalidInput,
            format!("it does not support {baud} bit/s"),
        ),
        ErrorKind::Io(kind) => (kind, io::Error::from(kind).to_string()),
        // What the system says of files that are no ports is not worth reading.
        ErrorKind::Unknown => (
            io::ErrorKind::Other,
            format!("{name} is not a serial port, or has no device; {}", ports()),
        ),
    };
    Failure::System {
        what: format!("cannot open {name}"),
        error: io::Error::new(kind, reason),
    }
}

/// Which ports there are, or what their names look like.
fn ports() -> String {
    let found = serialport::available_ports().unwrap_or_default();
    let at_usb = |kind: &SerialPortType| matches!(kind, SerialPortType::UsbPort(_));
    let names: Vec<String> = found
        .into_iter()
        .filter(|port| at_usb(&port.port_type))
        .map(|port| port.port_name)
        .take(MOST_NAMED)
        .collect();
    if names.is_empty() {
        "ports have names such as /dev/ttyUSB0, /dev/ttyACM0, /dev/cu.usbserial-1 or COM3; the name appears \
         when the board is plugged in"
            .to_owned()
    } else {
        format!("USB ports: {}", names.join(", "))
    }
}

/// The failure of a port in the middle of a program.
pub(super) fn broken(name: &str) -> Failure {
    // Whatever the system says: its broken pipe is not that of a reader of our results,
    // which ends the program without a word.
    Failure::System {
        what: format!("the line to {name} failed"),
        error: io::Error::new(
            io::ErrorKind::NotConnected,
            "check the cable. Unless it lost power, the board decelerates the axes by itself; check \
            their positions before you continue",
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_reason_is_told_in_words_of_our_own() {
        for (kind, told) in [
            (ErrorKind::Unknown, "cannot open p: p is not a serial port"),
            (
                ErrorKind::Io(io::ErrorKind::NotFound),
                "it does not exist; ",
            ),
            (ErrorKind::Io(io::ErrorKind::PermissionDenied), "`dialout`"),
            (ErrorKind::NoDevice, "open in another program"),
            (ErrorKind::InvalidInput, "support 12345 bit/s"),
        ] {
            let said = cannot_open("p", 12345, kind).to_string();
            assert!(said.contains(told), "{said}");
        }
    }

    #[test]
    fn a_cable_that_comes_off_does_not_pass_for_a_closed_pipe() {
        let failure = broken("p");
        assert!(!failure.is_closed_pipe());
        assert!(failure.to_string().contains("check the cable"));
    }
}
