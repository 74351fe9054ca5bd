//! The production log: the same questions to every store, crashes, tampering, the archive, the commands.

#![allow(clippy::unwrap_used)]

mod archive;
mod broken;
mod command;
mod crash;
mod entries;
mod postgres;
mod server;
mod sqlite;
mod suite;
mod tampering;
