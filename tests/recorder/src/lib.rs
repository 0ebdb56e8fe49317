//! Writes down every file operation of a process below one folder, in order and with its data, so that a harness can make
//! the disk as it may be after the power is cut at any of them.
//!
//! To be preloaded (`LD_PRELOAD`) into a dynamically linked program. `RECORDER_ROOT` is the folder, `RECORDER_LOG` the file
//! that is appended to. `RECORDER_DIE_AT_SYNC=n` kills the process before its n-th sync of a journal segment: what was
//! written is in the page cache and nowhere else. The record's form is read by `tests/src/power/log.rs`.
//!
//! A write, a cut, a new name: carried out and recorded under one lock, so the log's order is the order of effects. A
//! sync covers what was recorded before it began; its entry says how many entries that were.

#![allow(unsafe_code)]
#![allow(clippy::missing_safety_doc)]

use std::ffi::{CStr, CString, c_char, c_int, c_void};
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, MutexGuard, OnceLock};

use libc::{iovec, mode_t, off_t, off64_t, size_t, ssize_t};

/// Kinds of entries; the same numbers are in the reader.
mod kind {
    pub const MADE: u8 = 1;
    pub const FOLDER_MADE: u8 = 2;
    pub const WRITTEN: u8 = 3;
    pub const CUT: u8 = 4;
    pub const SYNCED: u8 = 5;
    pub const RENAMED: u8 = 6;
    pub const REMOVED: u8 = 7;
    pub const UNKNOWN: u8 = 8;
}

struct Recorder {
    root: PathBuf,
    log: c_int,
    count: u64,
}

static RECORDER: OnceLock<Option<Mutex<Recorder>>> = OnceLock::new();
static SYNCS: AtomicU64 = AtomicU64::new(0);

/// The function of the C library that one here stands in for.
macro_rules! real {
    ($name:ident: fn($($argument:ty),*) -> $result:ty) => {{
        static FOUND: OnceLock<usize> = OnceLock::new();
        let address = *FOUND.get_or_init(|| {
            let name = concat!(stringify!($name), "\0");
            // SAFETY: the name ends with a zero; the C library is loaded.
            unsafe { libc::dlsym(libc::RTLD_NEXT, name.as_ptr().cast()) as usize }
        });
        // SAFETY: it is the C library's function of that name, whose type this is.
        unsafe { std::mem::transmute::<usize, unsafe extern "C" fn($($argument),*) -> $result>(address) }
    }};
}

fn variable(name: &CStr) -> Option<PathBuf> {
    // SAFETY: nothing changes the environment while a program begins; the text is copied at once.
    unsafe {
        let found = libc::getenv(name.as_ptr());
        (!found.is_null()).then(|| PathBuf::from(std::ffi::OsStr::from_bytes(CStr::from_ptr(found).to_bytes())))
    }
}

fn recorder() -> Option<&'static Mutex<Recorder>> {
    RECORDER
        .get_or_init(|| {
            let root = variable(c"RECORDER_ROOT")?;
            let log = CString::new(variable(c"RECORDER_LOG")?.as_os_str().as_bytes()).ok()?;
            let flags = libc::O_WRONLY | libc::O_CREAT | libc::O_APPEND | libc::O_CLOEXEC;
            // SAFETY: a path that ends with a zero.
            let file = unsafe { libc::syscall(libc::SYS_openat, libc::AT_FDCWD, log.as_ptr(), flags, 0o600) };
            let log = c_int::try_from(file).ok().filter(|file| *file >= 0)?;
            Some(Mutex::new(Recorder { root, log, count: 0 }))
        })
        .as_ref()
}

fn lock() -> Option<MutexGuard<'static, Recorder>> {
    Some(recorder()?.lock().unwrap_or_else(std::sync::PoisonError::into_inner))
}

struct Entry<'a> {
    kind: u8,
    /// File or folder.
    inode: u64,
    /// Folder a name is in.
    parent: u64,
    /// Folder of the second name.
    other: u64,
    offset: u64,
    length: u64,
    name: &'a [u8],
    other_name: &'a [u8],
    data: &'a [u8],
}

const NOTHING: Entry<'static> =
    Entry { kind: 0, inode: 0, parent: 0, other: 0, offset: 0, length: 0, name: b"", other_name: b"", data: b"" };

impl Recorder {
    fn write(&mut self, entry: &Entry<'_>) {
        self.count += 1;
        let mut bytes = Vec::with_capacity(64 + entry.data.len());
        bytes.push(entry.kind);
        for number in [entry.inode, entry.parent, entry.other, entry.offset, entry.length] {
            bytes.extend_from_slice(&number.to_le_bytes());
        }
        for part in [entry.name, entry.other_name, entry.data] {
            bytes.extend_from_slice(&(part.len() as u64).to_le_bytes());
            bytes.extend_from_slice(part);
        }
        let mut whole = (bytes.len() as u64).to_le_bytes().to_vec();
        whole.append(&mut bytes);
        let mut rest = whole.as_slice();
        while !rest.is_empty() {
            // SAFETY: a buffer and its length.
            let written = unsafe { libc::syscall(libc::SYS_write, self.log, rest.as_ptr(), rest.len()) };
            match usize::try_from(written) {
                Ok(written) => rest = &rest[written..],
                // A log with a hole would tell of a disk that never was.
                Err(_) => std::process::abort(),
            }
        }
    }
}

/// Path behind an open file, where it is below the root.
fn path_of(fd: c_int, root: &Path) -> Option<PathBuf> {
    let link = format!("/proc/self/fd/{fd}\0");
    let mut buffer = [0_u8; 4_096];
    // SAFETY: a path that ends with a zero, a buffer and its length.
    let length = unsafe { libc::readlink(link.as_ptr().cast(), buffer.as_mut_ptr().cast(), buffer.len()) };
    let path = PathBuf::from(std::ffi::OsStr::from_bytes(&buffer[..usize::try_from(length).ok()?]));
    path.starts_with(root).then_some(path)
}

fn inode_of(fd: c_int) -> u64 {
    // SAFETY: plain old data, filled by the call.
    unsafe {
        let mut found: libc::stat64 = std::mem::zeroed();
        if libc::fstat64(fd, &raw mut found) == 0 { found.st_ino } else { 0 }
    }
}

fn inode_at(path: &Path) -> Option<u64> {
    let path = CString::new(path.as_os_str().as_bytes()).ok()?;
    // SAFETY: a path that ends with a zero; plain old data, filled by the call.
    unsafe {
        let mut found: libc::stat64 = std::mem::zeroed();
        (libc::lstat64(path.as_ptr(), &raw mut found) == 0).then_some(found.st_ino)
    }
}

/// A path as the calls with folders give it, absolute.
fn absolute(folder: c_int, path: *const c_char) -> Option<PathBuf> {
    // SAFETY: the caller's path, as the C library would read it.
    let path = Path::new(std::ffi::OsStr::from_bytes(unsafe { CStr::from_ptr(path) }.to_bytes()));
    if path.is_absolute() {
        return Some(path.to_owned());
    }
    let base = if folder == libc::AT_FDCWD { std::env::current_dir().ok()? } else { path_of(folder, Path::new("/"))? };
    Some(base.join(path))
}

/// Folder's inode and the name in it.
fn place(path: &Path) -> Option<(u64, Vec<u8>)> {
    Some((inode_at(path.parent()?)?, path.file_name()?.as_bytes().to_vec()))
}

fn opened(folder: c_int, path: *const c_char, flags: c_int, mode: mode_t) -> c_int {
    let open = || real!(openat: fn(c_int, *const c_char, c_int, mode_t) -> c_int);
    let changes = flags & (libc::O_CREAT | libc::O_TRUNC) != 0;
    let target = changes.then(|| absolute(folder, path)).flatten();
    let Some((mut recorder, target)) = target.and_then(|target| {
        let recorder = lock()?;
        target.starts_with(&recorder.root).then_some((recorder, target))
    }) else {
        // SAFETY: the caller's arguments.
        return unsafe { open()(folder, path, flags, mode) };
    };
    let before = inode_at(&target);
    // SAFETY: the caller's arguments.
    let fd = unsafe { open()(folder, path, flags, mode) };
    if fd >= 0 {
        let inode = inode_of(fd);
        if before.is_none() {
            if let Some((parent, name)) = place(&target) {
                recorder.write(&Entry { kind: kind::MADE, inode, parent, name: &name, ..NOTHING });
            }
        } else if flags & libc::O_TRUNC != 0 {
            recorder.write(&Entry { kind: kind::CUT, inode, ..NOTHING });
        }
    }
    fd
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn open(path: *const c_char, flags: c_int, mode: mode_t) -> c_int {
    opened(libc::AT_FDCWD, path, flags, mode)
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn open64(path: *const c_char, flags: c_int, mode: mode_t) -> c_int {
    opened(libc::AT_FDCWD, path, flags, mode)
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn openat(folder: c_int, path: *const c_char, flags: c_int, mode: mode_t) -> c_int {
    opened(folder, path, flags, mode)
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn openat64(folder: c_int, path: *const c_char, flags: c_int, mode: mode_t) -> c_int {
    opened(folder, path, flags, mode)
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn creat(path: *const c_char, mode: mode_t) -> c_int {
    opened(libc::AT_FDCWD, path, libc::O_CREAT | libc::O_WRONLY | libc::O_TRUNC, mode)
}

/// The log, when the file is below the root.
fn of_file(fd: c_int) -> Option<(MutexGuard<'static, Recorder>, u64)> {
    // Standard streams are nobody's record.
    if fd <= 2 {
        return None;
    }
    let recorder = lock()?;
    if fd == recorder.log {
        return None;
    }
    path_of(fd, &recorder.root)?;
    Some((recorder, inode_of(fd)))
}

fn written(fd: c_int, at: Option<u64>, write: &dyn Fn() -> ssize_t, data: &dyn Fn(usize) -> Vec<u8>) -> ssize_t {
    let Some((mut recorder, inode)) = of_file(fd) else { return write() };
    let done = write();
    if let Ok(count @ 1..) = usize::try_from(done) {
        // Without an offset of its own a write ends where the file now stands, also when it appends.
        let offset = at.unwrap_or_else(|| {
            // SAFETY: asks where an open file stands.
            let stands = unsafe { libc::lseek64(fd, 0, libc::SEEK_CUR) };
            u64::try_from(stands).unwrap_or(0) - count as u64
        });
        let data = data(count);
        recorder.write(&Entry { kind: kind::WRITTEN, inode, offset, data: &data, ..NOTHING });
    }
    done
}

fn copied(buffer: *const c_void, count: usize) -> Vec<u8> {
    // SAFETY: the kernel has just read as many bytes from there.
    unsafe { std::slice::from_raw_parts(buffer.cast::<u8>(), count) }.to_vec()
}

fn gathered(parts: *const iovec, part_count: c_int, count: usize) -> Vec<u8> {
    // SAFETY: the kernel has just read from these parts.
    let parts = unsafe { std::slice::from_raw_parts(parts, usize::try_from(part_count).unwrap_or(0)) };
    let mut data: Vec<u8> = parts.iter().flat_map(|part| copied(part.iov_base, part.iov_len)).collect();
    data.truncate(count);
    data
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn write(fd: c_int, buffer: *const c_void, count: size_t) -> ssize_t {
    let real = real!(write: fn(c_int, *const c_void, size_t) -> ssize_t);
    // SAFETY: the caller's arguments.
    written(fd, None, &|| unsafe { real(fd, buffer, count) }, &|done| copied(buffer, done))
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn writev(fd: c_int, parts: *const iovec, part_count: c_int) -> ssize_t {
    let real = real!(writev: fn(c_int, *const iovec, c_int) -> ssize_t);
    // SAFETY: the caller's arguments.
    written(fd, None, &|| unsafe { real(fd, parts, part_count) }, &|done| gathered(parts, part_count, done))
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn pwrite(fd: c_int, buffer: *const c_void, count: size_t, offset: off_t) -> ssize_t {
    // SAFETY: the caller's arguments.
    unsafe { pwrite64(fd, buffer, count, offset) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn pwrite64(fd: c_int, buffer: *const c_void, count: size_t, offset: off64_t) -> ssize_t {
    let real = real!(pwrite64: fn(c_int, *const c_void, size_t, off64_t) -> ssize_t);
    let at = u64::try_from(offset).ok();
    // SAFETY: the caller's arguments.
    written(fd, at, &|| unsafe { real(fd, buffer, count, offset) }, &|done| copied(buffer, done))
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn pwritev(fd: c_int, parts: *const iovec, part_count: c_int, offset: off_t) -> ssize_t {
    let real = real!(pwritev: fn(c_int, *const iovec, c_int, off_t) -> ssize_t);
    let at = u64::try_from(offset).ok();
    // SAFETY: the caller's arguments.
    written(fd, at, &|| unsafe { real(fd, parts, part_count, offset) }, &|done| gathered(parts, part_count, done))
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn ftruncate(fd: c_int, length: off_t) -> c_int {
    // SAFETY: the caller's arguments.
    unsafe { ftruncate64(fd, length) }
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn ftruncate64(fd: c_int, length: off64_t) -> c_int {
    let real = real!(ftruncate64: fn(c_int, off64_t) -> c_int);
    let file = of_file(fd);
    // SAFETY: the caller's arguments.
    let done = unsafe { real(fd, length) };
    if let Some((mut recorder, inode)) = file.filter(|_| done == 0) {
        let length = u64::try_from(length).unwrap_or(0);
        recorder.write(&Entry { kind: kind::CUT, inode, length, ..NOTHING });
    }
    done
}

/// Asked for space: the file is longer, what is new reads as zeros. Other ways are not modelled and said to be unknown.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn fallocate64(fd: c_int, mode: c_int, offset: off64_t, length: off64_t) -> c_int {
    let real = real!(fallocate64: fn(c_int, c_int, off64_t, off64_t) -> c_int);
    let file = of_file(fd);
    // SAFETY: the caller's arguments.
    let done = unsafe { real(fd, mode, offset, length) };
    if let Some((mut recorder, inode)) = file.filter(|_| done == 0) {
        let end = u64::try_from(offset.saturating_add(length)).unwrap_or(0);
        // An empty write at the end: longer where it was shorter.
        let kind = if mode == 0 { kind::WRITTEN } else { kind::UNKNOWN };
        recorder.write(&Entry { kind, inode, offset: end, ..NOTHING });
    }
    done
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn fallocate(fd: c_int, mode: c_int, offset: off_t, length: off_t) -> c_int {
    // SAFETY: the caller's arguments.
    unsafe { fallocate64(fd, mode, offset, length) }
}

fn synced(fd: c_int, sync: &dyn Fn() -> c_int) -> c_int {
    let Some((recorder, inode)) = of_file(fd) else { return sync() };
    let of_segment = path_of(fd, &recorder.root).is_some_and(|path| path.extension().is_some_and(|e| e == "seg"));
    let covered = recorder.count;
    if of_segment {
        let number = SYNCS.fetch_add(1, Ordering::SeqCst) + 1;
        if variable(c"RECORDER_DIE_AT_SYNC").is_some_and(|at| at.to_string_lossy() == number.to_string()) {
            // The lock is held, so that the log ends with a whole entry.
            // SAFETY: ends this very process as a kill would.
            unsafe { libc::kill(libc::getpid(), libc::SIGKILL) };
        }
    }
    drop(recorder);
    let done = sync();
    if done == 0
        && let Some(mut recorder) = lock()
    {
        recorder.write(&Entry { kind: kind::SYNCED, inode, offset: covered, ..NOTHING });
    }
    done
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn fsync(fd: c_int) -> c_int {
    let real = real!(fsync: fn(c_int) -> c_int);
    // SAFETY: the caller's arguments.
    synced(fd, &|| unsafe { real(fd) })
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn fdatasync(fd: c_int) -> c_int {
    let real = real!(fdatasync: fn(c_int) -> c_int);
    // SAFETY: the caller's arguments.
    synced(fd, &|| unsafe { real(fd) })
}

/// Starts or awaits writing back without flushing the device's cache: nothing is durable by it (sync_file_range(2)), so
/// nothing is recorded.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn sync_file_range(fd: c_int, offset: off64_t, length: off64_t, flags: libc::c_uint) -> c_int {
    let real = real!(sync_file_range: fn(c_int, off64_t, off64_t, libc::c_uint) -> c_int);
    // SAFETY: the caller's arguments.
    unsafe { real(fd, offset, length, flags) }
}

/// Carries out a change of names below the root under the lock and writes it down.
fn named(
    path: Option<PathBuf>,
    change: &dyn Fn() -> c_int,
    entry: &dyn Fn(&mut Recorder, &Path, Option<u64>),
) -> c_int {
    let Some((mut recorder, path)) = path.and_then(|path| {
        let recorder = lock()?;
        path.starts_with(&recorder.root).then_some((recorder, path))
    }) else {
        return change();
    };
    let before = inode_at(&path);
    let done = change();
    if done == 0 {
        entry(&mut recorder, &path, before);
    }
    done
}

fn renamed(from: Option<PathBuf>, to: Option<PathBuf>, change: &dyn Fn() -> c_int) -> c_int {
    named(from, change, &|recorder, from, inode| {
        let found = || Some((inode?, place(from)?, place(to.as_deref()?)?));
        if let Some((inode, (parent, name), (other, other_name))) = found() {
            let entry =
                Entry { kind: kind::RENAMED, inode, parent, other, name: &name, other_name: &other_name, ..NOTHING };
            recorder.write(&entry);
        }
    })
}

fn removed(path: Option<PathBuf>, change: &dyn Fn() -> c_int) -> c_int {
    named(path, change, &|recorder, path, inode| {
        if let (Some(inode), Some((parent, name))) = (inode, place(path)) {
            recorder.write(&Entry { kind: kind::REMOVED, inode, parent, name: &name, ..NOTHING });
        }
    })
}

fn folder_made(path: Option<PathBuf>, change: &dyn Fn() -> c_int) -> c_int {
    named(path, change, &|recorder, path, _| {
        if let (Some(inode), Some((parent, name))) = (inode_at(path), place(path)) {
            recorder.write(&Entry { kind: kind::FOLDER_MADE, inode, parent, name: &name, ..NOTHING });
        }
    })
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rename(from: *const c_char, to: *const c_char) -> c_int {
    let real = real!(rename: fn(*const c_char, *const c_char) -> c_int);
    let paths = (absolute(libc::AT_FDCWD, from), absolute(libc::AT_FDCWD, to));
    // SAFETY: the caller's arguments.
    renamed(paths.0, paths.1, &|| unsafe { real(from, to) })
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn renameat(a: c_int, from: *const c_char, b: c_int, to: *const c_char) -> c_int {
    let real = real!(renameat: fn(c_int, *const c_char, c_int, *const c_char) -> c_int);
    // SAFETY: the caller's arguments.
    renamed(absolute(a, from), absolute(b, to), &|| unsafe { real(a, from, b, to) })
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn unlink(path: *const c_char) -> c_int {
    let real = real!(unlink: fn(*const c_char) -> c_int);
    // SAFETY: the caller's arguments.
    removed(absolute(libc::AT_FDCWD, path), &|| unsafe { real(path) })
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn rmdir(path: *const c_char) -> c_int {
    let real = real!(rmdir: fn(*const c_char) -> c_int);
    // SAFETY: the caller's arguments.
    removed(absolute(libc::AT_FDCWD, path), &|| unsafe { real(path) })
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn unlinkat(folder: c_int, path: *const c_char, flags: c_int) -> c_int {
    let real = real!(unlinkat: fn(c_int, *const c_char, c_int) -> c_int);
    // SAFETY: the caller's arguments.
    removed(absolute(folder, path), &|| unsafe { real(folder, path, flags) })
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn mkdir(path: *const c_char, mode: mode_t) -> c_int {
    let real = real!(mkdir: fn(*const c_char, mode_t) -> c_int);
    // SAFETY: the caller's arguments.
    folder_made(absolute(libc::AT_FDCWD, path), &|| unsafe { real(path, mode) })
}

#[unsafe(no_mangle)]
pub unsafe extern "C" fn mkdirat(folder: c_int, path: *const c_char, mode: mode_t) -> c_int {
    let real = real!(mkdirat: fn(c_int, *const c_char, mode_t) -> c_int);
    // SAFETY: the caller's arguments.
    folder_made(absolute(folder, path), &|| unsafe { real(folder, path, mode) })
}
