//! Live recording through a real sound server, started by each test on a folder of its own.
//!
//! The program runs in a process of its own, because the sound system reads its environment when a process starts. The tests run
//! one after the other: two servers on a small machine disturb each other. Where the server is missing they fail and say how
//! to install it.

#![cfg(all(feature = "live", target_os = "linux"))]
#![allow(clippy::unwrap_used)]

mod broken;
mod many;
mod path;
mod server;
mod takes;
