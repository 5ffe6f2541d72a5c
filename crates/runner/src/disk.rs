//! Files and folders that outlast a power cut: each is synced, and so is the folder that names it.

use std::fs::{File, OpenOptions};
use std::io::{self, ErrorKind, Write};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// Writes a file completely or not at all: writes and syncs a temporary file `NAME.part`, renames it, and syncs the folder.
///
/// # Errors
/// If the file cannot be written, synced or renamed. The temporary file may then remain.
pub fn write_file(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut name = path.file_name().ok_or(ErrorKind::InvalidInput)?.to_owned();
    name.push(".part");
    let beside = path.with_file_name(name);
    // Never into what is there already: a pipe would never take it, and another thread that hangs may still have it open.
    match std::fs::remove_file(&beside) {
        Err(error) if error.kind() != ErrorKind::NotFound => return Err(error),
        Ok(()) | Err(_) => {}
    }
    let mut file = File::create_new(&beside)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    let (own, there) = (file.metadata()?, std::fs::symlink_metadata(&beside)?);
    if (own.dev(), own.ino()) != (there.dev(), there.ino()) {
        return Err(io::Error::other("another thread writes the same file"));
    }
    std::fs::rename(&beside, path)?;
    sync_folder(&above(path))
}

/// Appends bytes to a file, which is created if it is missing, and syncs file and folder.
///
/// # Errors
/// If the file cannot be created, written or synced. A part of the bytes may then be in it.
pub fn append(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = OpenOptions::new().create(true).append(true).open(path)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    sync_folder(&above(path))
}

/// Creates a folder and the missing folders above it. The folder above each created one is synced. An existing folder is left as it is.
///
/// # Errors
/// If a folder cannot be created or synced, or something else has the name.
pub fn create_folders(path: &Path) -> io::Result<()> {
    create_with(path, &mut |folder| sync_folder(folder))
}

fn create_with(path: &Path, sync: &mut dyn FnMut(&Path) -> io::Result<()>) -> io::Result<()> {
    match std::fs::create_dir(path) {
        Ok(()) => sync(&above(path)),
        Err(error) if error.kind() == ErrorKind::AlreadyExists && path.is_dir() => Ok(()),
        Err(error) if error.kind() == ErrorKind::NotFound && path.parent().is_some() => {
            create_with(&above(path), sync)?;
            std::fs::create_dir(path)?;
            sync(&above(path))
        }
        Err(error) => Err(error),
    }
}

/// The folder that contains a path; the present one for a bare name.
fn above(path: &Path) -> PathBuf {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.to_owned(),
        Some(_) | None => PathBuf::from("."),
    }
}

fn sync_folder(path: &Path) -> io::Result<()> {
    File::open(path)?.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;
    use rustix::fs::{CWD, FileType, Mode, OFlags, mknodat};
    use std::os::unix::fs::OpenOptionsExt;

    /// An empty folder.
    fn scratch(name: &str) -> PathBuf {
        let path = std::env::temp_dir().join(format!("tripbench-disk-{}-{name}", std::process::id()));
        drop(std::fs::remove_dir_all(&path));
        std::fs::create_dir(&path).expect("a folder");
        path
    }

    /// After a power cut a folder exists only if the folder above it was synced.
    #[test]
    fn the_folder_above_each_created_folder_is_synced() {
        let base = scratch("parents");
        let create = |path: &Path| {
            let mut synced = Vec::new();
            let made = create_with(path, &mut |folder| {
                assert!(folder.is_dir());
                synced.push(folder.to_owned());
                Ok(())
            });
            made.map(|()| synced)
        };
        let deep = base.join("a/b/c");
        assert_eq!(create(&deep).expect("created"), [base.clone(), base.join("a"), base.join("a/b")]);
        assert_eq!(create(&deep).expect("there already"), Vec::<PathBuf>::new());
        assert_eq!(create(&base.join("a/d")).expect("created"), [base.join("a")]);
        std::fs::write(base.join("file"), "").expect("a file");
        assert!(create(&base.join("file")).is_err());
        assert!(create(&base.join("file/below")).is_err());
    }

    #[test]
    fn a_file_is_replaced_whole_and_nothing_remains_beside_it() {
        let base = scratch("whole");
        let path = base.join("record.json");
        for text in ["long and old", "new"] {
            write_file(&path, text.as_bytes()).expect("written");
            assert_eq!(std::fs::read_to_string(&path).expect("a file"), text);
        }
        assert_eq!(std::fs::read_dir(&base).expect("a folder").count(), 1);
        append(&path, b" and more").expect("appended");
        assert_eq!(std::fs::read_to_string(&path).expect("a file"), "new and more");
    }

    /// Left by an attempt that hung or was killed, or by somebody else.
    #[rstest]
    #[case::longer_file(|part: &Path| std::fs::write(part, "longer than the record").expect("a file"))]
    #[case::link_to_another_file(|part: &Path| std::os::unix::fs::symlink("other", part).expect("a link"))]
    #[case::pipe(|part: &Path| {
        mknodat(CWD, part, FileType::Fifo, Mode::RUSR | Mode::WUSR, 0).expect("a pipe");
    })]
    fn a_file_is_never_written_into_what_is_there_already(#[case] leave: fn(&Path)) {
        let name = std::thread::current().name().unwrap_or_default().replace(':', "-");
        let base = scratch(&name);
        let (path, part) = (base.join("record.json"), base.join("record.json.part"));
        std::fs::write(base.join("other"), "other").expect("a file");
        leave(&part);
        // Somebody reads a pipe: otherwise it would not even open.
        let reader =
            OpenOptions::new().read(true).custom_flags(OFlags::NONBLOCK.bits().cast_signed()).open(&part);
        write_file(&path, b"record").expect("written");
        drop(reader);
        let kept = [path, base.join("other")].map(|path| std::fs::read_to_string(path).expect("a file"));
        assert_eq!((kept.each_ref().map(String::as_str), part.exists()), (["record", "other"], false));
        std::fs::remove_dir_all(&base).expect("a folder");
    }

    /// Instead of a full disk: the temporary file cannot be created.
    #[test]
    fn a_file_that_cannot_be_replaced_stays_as_it_was() {
        let base = scratch("full");
        let path = base.join("record.json");
        write_file(&path, b"old").expect("written");
        std::fs::create_dir(base.join("record.json.part")).expect("a folder");
        write_file(&path, b"new").expect_err("it cannot be created");
        assert_eq!(std::fs::read(&path).expect("a file"), b"old");
    }
}
