//! Files and folders that outlast a power cut: each is synced, and so is the folder that names it. What is not a regular file, such as a pipe
//! or a link that lies in its place, is neither read nor written into.

use rustix::fs::OFlags;
use rustix::io::Errno;
use std::collections::BTreeSet;
use std::fs::{File, OpenOptions};
use std::io::{self, ErrorKind, Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, OnceLock, PoisonError};

/// Called before each access to a file by its path: it may never return.
pub type Probe = fn(&Path);

/// The fault that a test injects into every access to a file.
static PROBE: OnceLock<Probe> = OnceLock::new();

/// Injects a fault into every access to a file from now on; the first one counts.
pub fn probe(fault: Probe) {
    let _was_set = PROBE.set(fault);
}

fn probed(path: &Path) {
    if let Some(fault) = PROBE.get() {
        fault(path);
    }
}

/// Opens a file; `options` say for what.
///
/// # Errors
/// If it cannot be opened, or is not a regular file.
pub fn open(path: &Path, options: &mut OpenOptions) -> io::Result<File> {
    probed(path);
    // A pipe would let the caller wait for its other end.
    let flags = OFlags::NOFOLLOW | OFlags::NONBLOCK;
    let opened = options.custom_flags(flags.bits().cast_signed()).open(path);
    let file = match opened {
        Err(error) if error.raw_os_error() == Some(Errno::LOOP.raw_os_error()) => {
            return Err(not_regular("a link"));
        }
        opened => opened?,
    };
    if file.metadata()?.is_file() { Ok(file) } else { Err(not_regular("a pipe, a folder or a device")) }
}

fn not_regular(what: &str) -> io::Error {
    io::Error::other(format!("{what} lies in the place of the file"))
}

/// The bytes of a file.
///
/// # Errors
/// If it cannot be read, or is not a regular file.
pub fn read(path: &Path) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    open(path, OpenOptions::new().read(true))?.read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Writes a file completely or not at all: writes and syncs a temporary file beside it, renames it, and syncs the folder. Whatever lies in
/// its place is replaced, and never written into.
///
/// # Errors
/// If the file cannot be written, synced or renamed.
pub fn write_file(path: &Path, bytes: &[u8]) -> io::Result<()> {
    write_with(path, bytes, || {})
}

/// `before_rename` is called once the temporary file is complete.
fn write_with(path: &Path, bytes: &[u8], before_rename: impl FnOnce()) -> io::Result<()> {
    probed(path);
    remove_left(path)?;
    let part = Part::beside(path)?;
    let mut file = File::create_new(&part.0)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    before_rename();
    std::fs::rename(&part.0, path)?;
    sync_folder(&above(path))
}

/// Temporary files of this process that are being written, or hang. They are only named here: no disk is waited for with this locked.
static PARTS: Mutex<BTreeSet<PathBuf>> = Mutex::new(BTreeSet::new());

/// A temporary file `NAME.NUMBER.part` that belongs to one write: another attempt at the same file, made because this one hangs, has another.
/// Removed when dropped, if it is still there.
struct Part(PathBuf);

impl Part {
    fn beside(path: &Path) -> io::Result<Self> {
        static NEXT: AtomicU64 = AtomicU64::new(0);
        let mut name = path.file_name().ok_or(ErrorKind::InvalidInput)?.to_owned();
        name.push(format!(".{}-{}.part", std::process::id(), NEXT.fetch_add(1, Ordering::Relaxed)));
        let part = path.with_file_name(name);
        PARTS.lock().unwrap_or_else(PoisonError::into_inner).insert(part.clone());
        Ok(Self(part))
    }
}

impl Drop for Part {
    fn drop(&mut self) {
        let _renamed = std::fs::remove_file(&self.0);
        PARTS.lock().unwrap_or_else(PoisonError::into_inner).remove(&self.0);
    }
}

/// Removes temporary files of a file that a killed process has left.
fn remove_left(path: &Path) -> io::Result<()> {
    let name = path.file_name().ok_or(ErrorKind::InvalidInput)?.as_encoded_bytes();
    for entry in std::fs::read_dir(above(path))? {
        let left = entry?.file_name();
        let tail = left.as_encoded_bytes().strip_prefix(name);
        if tail.is_none_or(|tail| !(tail.starts_with(b".") && tail.ends_with(b".part"))) {
            continue;
        }
        let left = path.with_file_name(left);
        if !PARTS.lock().unwrap_or_else(PoisonError::into_inner).contains(&left) {
            match std::fs::remove_file(&left) {
                Err(error) if error.kind() != ErrorKind::NotFound => return Err(error),
                Ok(()) | Err(_) => {}
            }
        }
    }
    Ok(())
}

/// Appends bytes to a file, which is created if it is missing, and syncs file and folder.
///
/// # Errors
/// If the file cannot be created, written or synced, or is not a regular file. A part of the bytes may then be in it.
pub fn append(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = open(path, OpenOptions::new().create(true).append(true))?;
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
    use rustix::fs::{CWD, FileType, Mode, mknodat};
    use std::sync::mpsc::channel;

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
    #[case::of_a_killed_process(|part: &Path| {
        std::fs::write(part.with_file_name("record.json.999-7.part"), "half a rec").expect("a file");
    })]
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
        assert_eq!(kept, ["record", "other"]);
        assert_eq!(std::fs::read_dir(&base).expect("a folder").count(), 2, "nothing remains beside it");
        std::fs::remove_dir_all(&base).expect("a folder");
    }

    /// What lies in the place of a file is not taken for it, whether somebody has the other end of a pipe open or not.
    #[rstest]
    fn what_is_no_regular_file_is_neither_read_nor_appended_to(
        #[values("pipe", "pipe with a reader", "link", "link to nothing", "folder")] what: &str,
    ) {
        let base = scratch(&format!("irregular-{}", what.replace(' ', "-")));
        let (path, other) = (base.join("listed"), base.join("other"));
        std::fs::write(&other, "other").expect("a file");
        match what {
            "link" => std::os::unix::fs::symlink("other", &path).expect("a link"),
            "link to nothing" => std::os::unix::fs::symlink("nothing", &path).expect("a link"),
            "folder" => std::fs::create_dir(&path).expect("a folder"),
            _ => mknodat(CWD, &path, FileType::Fifo, Mode::RUSR | Mode::WUSR, 0).expect("a pipe"),
        }
        let nonblock = OFlags::NONBLOCK.bits().cast_signed();
        let reader = (what == "pipe with a reader")
            .then(|| OpenOptions::new().read(true).custom_flags(nonblock).open(&path).expect("a pipe"));
        read(&path).expect_err("it is no regular file");
        append(&path, b"more").expect_err("it is no regular file");
        drop(reader);
        assert!(!base.join("nothing").exists());
        assert_eq!(std::fs::read(&other).expect("a file"), b"other");
        // Whatever it is but a folder, it is replaced.
        assert_eq!(write_file(&path, b"whole").is_ok(), what != "folder");
        assert!(what == "folder" || read(&path).expect("a file") == b"whole");
        assert_eq!(std::fs::read(&other).expect("a file"), b"other");
        std::fs::remove_dir_all(&base).expect("a folder");
    }

    /// Two threads write one file, as two attempts at a record do of which one hung: what a thread has put in place is what it has written
    /// itself, and all of it.
    #[rstest]
    fn of_two_that_write_one_file_each_puts_its_own_bytes_in_place(
        #[values(true, false)] inner_is_first: bool,
        #[values(0, 1, 70_000)] length: usize,
    ) {
        let base = scratch(&format!("two-{inner_is_first}-{length}"));
        let path = base.join("record.json");
        let (one, other) = (vec![b'1'; length + 1], vec![b'2'; length + 2]);
        let there = || std::fs::read(&path).expect("a file");
        let ((arrives, arrived), (go, may_go)) = (channel(), channel());
        std::thread::scope(|scope| {
            let outer = write_with(&path, &one, || {
                let inner = scope.spawn(|| {
                    let written = write_with(&path, &other, move || {
                        arrives.send(()).expect("somebody waits");
                        may_go.recv().expect("somebody sends");
                    });
                    assert!(written.is_err() || !inner_is_first || there() == other);
                });
                arrived.recv().expect("it comes so far");
                if inner_is_first {
                    go.send(()).expect("it waits");
                    inner.join().expect("its own bytes");
                }
            });
            let is_its_own = outer.is_err() || there() == one;
            // Who has gone already waits no more.
            let _gone = go.send(());
            assert!(is_its_own, "bytes of the other are in place");
        });
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
