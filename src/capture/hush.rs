//! Keeps the remarks of sound libraries off standard error while devices are listed, opened or closed.
//!
//! They come from C libraries that write there by themselves, also where nothing is wrong: a route to a sound server that is
//! not running is asked for what it can do, and says so in five lines each time. Standard error leads nowhere while one
//! [`Hush`] or more live; it belongs into the thread that waits, so that a sound system that hangs does not keep the
//! program silent.

#[cfg(target_os = "linux")]
mod redirect {
    use std::fs::OpenOptions;
    use std::io;
    use std::os::fd::{AsFd, OwnedFd};
    use std::sync::{Mutex, MutexGuard, PoisonError};

    /// How many live, and where standard error led before the first.
    static HELD: Mutex<(usize, Option<OwnedFd>)> = Mutex::new((0, None));

    fn held() -> MutexGuard<'static, (usize, Option<OwnedFd>)> {
        HELD.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn away() -> io::Result<OwnedFd> {
        let before = io::stderr().as_fd().try_clone_to_owned()?;
        let nowhere = OpenOptions::new().write(true).open("/dev/null")?;
        rustix::stdio::dup2_stderr(&nowhere)?;
        Ok(before)
    }

    pub fn begin() {
        let mut held = held();
        if held.0 == 0 {
            // Where it cannot be led away the remarks are seen: nothing worse.
            held.1 = away().ok();
        }
        held.0 += 1;
    }

    pub fn end() {
        let mut held = held();
        held.0 -= 1;
        if held.0 == 0
            && let Some(before) = held.1.take()
        {
            let _ = rustix::stdio::dup2_stderr(&before);
        }
    }
}

/// Standard error leads nowhere while this lives (Linux; elsewhere the libraries are silent by themselves).
pub(super) struct Hush;

impl Hush {
    /// From now on.
    pub fn begin() -> Self {
        #[cfg(target_os = "linux")]
        redirect::begin();
        Self
    }
}

impl Drop for Hush {
    fn drop(&mut self) {
        #[cfg(target_os = "linux")]
        redirect::end();
    }
}

#[cfg(target_os = "linux")]
#[cfg(test)]
mod tests {
    use super::Hush;
    use std::path::PathBuf;

    fn leads_to() -> PathBuf {
        std::fs::read_link("/proc/self/fd/2").unwrap()
    }

    #[test]
    fn standard_error_comes_back_after_the_last() {
        let before = leads_to();
        let first = Hush::begin();
        let second = Hush::begin();
        assert_eq!(leads_to(), PathBuf::from("/dev/null"));
        drop(first);
        assert_eq!(leads_to(), PathBuf::from("/dev/null"));
        drop(second);
        assert_eq!(leads_to(), before);
    }
}
