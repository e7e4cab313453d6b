//! How much freed memory the allocator of a long-running command may keep.

use std::ffi::OsStr;

/// The settings of glibc's allocator (mallopt(3)). Left alone it raises the size from which it maps a block of its own
/// with each large block that is freed; from then on the short-lived large blocks of the store's compression lie among
/// long-lived small ones, and what is freed between them stays with the process: two fifths of a fleet's memory. Given a
/// size it keeps to it. One arena is enough: few threads allocate much at a time. Without each thread's cache of small
/// blocks what is freed is put together with its neighbours at once: a start of 10,000 units ended at 172 MB instead of
/// 562, and was a seventh faster.
const SETTINGS: [(&str, &str); 4] = [
    ("MALLOC_MMAP_THRESHOLD_", "65536"),
    ("MALLOC_TRIM_THRESHOLD_", "131072"),
    ("MALLOC_ARENA_MAX", "1"),
    ("GLIBC_TUNABLES", "glibc.malloc.tcache_count=0"),
];

/// Starts this program once more in the same process, with the settings in its environment: glibc reads them at the
/// start of a program and from nowhere else that safe Rust reaches. Whoever has set one of them is left alone. Where it
/// cannot be done the command goes on as it is.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
pub fn settle() {
    use std::os::unix::process::CommandExt;
    let given = |name: &str| std::env::var_os(name).is_some();
    if SETTINGS.iter().any(|(name, _)| given(name)) {
        return;
    }
    let mut args = std::env::args_os();
    let name = args.next();
    // The file itself, even if another has taken its place by an update.
    let mut again = std::process::Command::new("/proc/self/exe");
    again.arg0(name.as_deref().unwrap_or(OsStr::new("fadeline"))).args(args).envs(SETTINGS);
    let error = again.exec();
    tracing::debug!(%error, "the allocator keeps its own settings");
}

/// Other allocators are left alone.
#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
pub fn settle() {}
