//! Identity of a serial device. The path of a port is only a name: after a reset of an adapter it may lead to another device.

use rustix::fs::{major, minor, stat};
use std::fs::{canonicalize, read_to_string};
use std::io;
use std::path::{Path, PathBuf};
use thiserror::Error;

/// Where the kernel describes character devices, by number.
const DEVICES: &str = "/sys/dev/char";

/// The path of a port leads to another device than when it was first opened.
#[derive(Debug, Error)]
#[error("`{}` is now {now:?}, and was {before:?}", path.display())]
pub(crate) struct OtherDevice {
    pub(crate) path: PathBuf,
    pub(crate) before: Device,
    pub(crate) now: Device,
}

/// What stays the same as long as the path of a port leads to the same device.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Device {
    /// A USB adapter, under whatever number it comes back.
    Usb {
        /// Vendor and product.
        product: [String; 2],
        /// Number of its interface, and of the port at this interface: an adapter may have several.
        interface: [Option<String>; 2],
        /// Its serial number, if it has one. Cheap adapters may all have the same.
        serial: Option<String>,
        /// The USB port that it is plugged into.
        port: String,
    },
    /// A device at a fixed place of this computer, with its number: all ports of a card may be at one place.
    At(PathBuf, u64),
    /// A device that the kernel describes no further, such as a pseudo-terminal: its number, and when it was made.
    Numbered {
        /// The number.
        number: u64,
        /// Seconds and nanoseconds of the last change of its owner, mode or links.
        made: (i64, i64),
    },
}

impl Device {
    /// The device that a path leads to.
    ///
    /// # Errors
    /// If the path does not exist or the device cannot be examined.
    pub(crate) fn at(path: &Path) -> io::Result<Self> {
        Self::described_in(Path::new(DEVICES), path)
    }

    /// Its name, by which it is locked: the same for as long as the device is there, whatever its path and its mode. The end of a long name
    /// tells the device from others.
    pub(crate) fn name(&self) -> String {
        match self {
            Self::Usb { product: [vendor, product], interface: [interface, line], serial, port } => {
                let serial = serial.as_deref().unwrap_or("none");
                let line = line.as_deref().unwrap_or("0");
                format!(
                    "USB adapter {vendor}:{product}, serial number {serial}, in USB port {port}, interface {interface}, line {line}",
                    interface = interface.as_deref().unwrap_or("0")
                )
            }
            Self::At(place, number) => format!("{}, {}", place.display(), numbered(*number)),
            Self::Numbered { number, .. } => numbered(*number),
        }
    }

    fn described_in(devices: &Path, path: &Path) -> io::Result<Self> {
        let found = stat(path)?;
        let number = found.st_rdev;
        let described = devices.join(format!("{}:{}", major(number), minor(number))).join("device");
        match canonicalize(described) {
            Ok(place) => Ok(usb(&place).unwrap_or(Self::At(place, number))),
            Err(_) => {
                let made_ns = i64::try_from(found.st_ctime_nsec).unwrap_or(0);
                Ok(Self::Numbered { number, made: (found.st_ctime, made_ns) })
            }
        }
    }
}

fn numbered(number: u64) -> String {
    format!("character device {}:{}", major(number), minor(number))
}

/// The USB adapter with the port at this place; `None` for a port of another kind.
fn usb(place: &Path) -> Option<Device> {
    let text = |folder: &Path, file: &str| Some(read_to_string(folder.join(file)).ok()?.trim().to_owned());
    let interface = Some(place.ancestors().find_map(|folder| text(folder, "bInterfaceNumber"))?);
    let adapter = place.ancestors().find(|folder| folder.join("idVendor").exists())?;
    Some(Device::Usb {
        product: [text(adapter, "idVendor")?, text(adapter, "idProduct")?],
        interface: [interface, text(place, "port_number")],
        serial: text(adapter, "serial"),
        port: adapter.file_name()?.to_string_lossy().into_owned(),
    })
}

/// A pseudo-terminal for a test: its master, and the path of its slave.
#[cfg(test)]
pub(crate) fn terminal() -> (std::os::fd::OwnedFd, PathBuf) {
    use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
    let master = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("a pseudo-terminal");
    grantpt(&master).and_then(|()| unlockpt(&master)).expect("a pseudo-terminal");
    let name = ptsname(&master, Vec::new()).expect("its name");
    (master, PathBuf::from(name.to_string_lossy().into_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;
    use std::fs::{create_dir_all, remove_dir_all, write};
    use std::os::unix::fs::symlink;
    use std::sync::atomic::{AtomicU32, Ordering};

    /// A description of `/dev/null` as the port of an adapter: at a USB port, with an interface, a name and perhaps a serial number.
    fn described(at: &str, [interface, line]: [&str; 2], name: &str, serial: Option<&str>) -> Device {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let place =
            format!("tripbench-device-{}-{}", std::process::id(), NEXT.fetch_add(1, Ordering::SeqCst));
        let root = std::env::temp_dir().join(place);
        let adapter = root.join("usb1").join(at);
        let port = adapter.join(format!("{at}:1.{interface}")).join(name);
        let number = root.join("char").join("1:3");
        create_dir_all(&port).expect("a folder");
        create_dir_all(&number).expect("a folder");
        write(adapter.join("idVendor"), "1a86\n").expect("a file");
        write(adapter.join("idProduct"), "7523\n").expect("a file");
        if let Some(serial) = serial {
            write(adapter.join("serial"), format!("{serial}\n")).expect("a file");
        }
        write(port.parent().expect("an interface").join("bInterfaceNumber"), interface).expect("a file");
        write(port.join("port_number"), line).expect("a file");
        symlink(&port, number.join("device")).expect("a link");
        let device = Device::described_in(&root.join("char"), Path::new("/dev/null")).expect("a device");
        remove_dir_all(root).expect("the folder");
        device
    }

    #[rstest]
    #[case::same(("1-2", ["0", "0"], "ttyUSB0", Some("A1")), true)]
    #[case::under_another_number(("1-2", ["0", "0"], "ttyUSB7", Some("A1")), true)]
    #[case::in_another_usb_port(("1-3", ["0", "0"], "ttyUSB0", Some("A1")), false)]
    #[case::another_adapter(("1-2", ["0", "0"], "ttyUSB0", Some("A2")), false)]
    #[case::another_interface_of_the_adapter(("1-2", ["1", "0"], "ttyUSB0", Some("A1")), false)]
    #[case::another_port_of_the_interface(("1-2", ["0", "1"], "ttyUSB0", Some("A1")), false)]
    fn an_adapter_is_known_by_its_number_and_its_usb_port(
        #[case] later: (&str, [&str; 2], &str, Option<&str>),
        #[case] same: bool,
    ) {
        let first = described("1-2", ["0", "0"], "ttyUSB0", Some("A1"));
        let (at, interface, name, serial) = later;
        let later = described(at, interface, name, serial);
        assert_eq!((later == first, later.name() == first.name()), (same, same));
    }

    #[rstest]
    #[case::under_another_number("1-4", "ttyUSB9", true)]
    #[case::in_another_usb_port("1-5", "ttyUSB8", false)]
    fn an_adapter_without_a_serial_number_is_known_by_its_usb_port(
        #[case] at: &str,
        #[case] name: &str,
        #[case] same: bool,
    ) {
        let first = described("1-4", ["0", "0"], "ttyUSB8", None);
        let later = described(at, ["0", "0"], name, None);
        assert_eq!((later == first, later.name() == first.name()), (same, same));
    }

    #[test]
    fn a_device_that_is_not_described_is_known_by_its_number() {
        let nowhere = Path::new("/nonexistent");
        let at = |path: &str| Device::described_in(nowhere, Path::new(path)).expect("a device");
        assert_eq!(at("/dev/null"), at("/dev/null"));
        assert_ne!(at("/dev/null"), at("/dev/zero"));
        assert!(Device::described_in(nowhere, nowhere).is_err());
        // A change of its owner or mode changes its time, and keeps its name.
        let [before, after] = [1, 2].map(|time| Device::Numbered { number: 5, made: (time, 0) });
        assert_eq!(before.name(), after.name());
    }
}
