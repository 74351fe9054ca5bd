//! `bassay record`: live capture at the bench.

pub mod desk;
