//! Recordings that go wrong, at a virtual bench: frames that nobody misses, and a process that is killed.

#![allow(clippy::unwrap_used)]

mod killed;
mod lost_frames;
