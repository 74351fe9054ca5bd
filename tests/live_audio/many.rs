//! Many captures in one process: nothing grows.

use crate::server::{Said, Sound};
use bassay::capture::card::Shape;
use bassay::capture::cpal_card::CpalCard;
use bassay::capture::listen::{ListenPlan, listen};
use bassay::capture::take::Go;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

/// Captures tried and captures that were whole, in this process.
static TRIED: AtomicUsize = AtomicUsize::new(0);
static WHOLE: AtomicUsize = AtomicUsize::new(0);

/// What the process holds: (file handles, threads, resident memory in kB).
fn held() -> (usize, usize, u64) {
    let count = |folder| std::fs::read_dir(folder).unwrap().count();
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|l| l.starts_with("VmRSS:")).unwrap();
    let kilobytes = line.split_whitespace().nth(1).unwrap().parse().unwrap();
    (count("/proc/self/fd"), count("/proc/self/task"), kilobytes)
}

/// Captures at once: each waits for its card most of its half second, and two hundred one after the other would take two minutes.
const LANES: usize = 4;

/// `each` captures in a row in every lane.
fn captures(lanes: usize, each: usize) {
    std::thread::scope(|scope| {
        for _ in 0..lanes {
            scope.spawn(move || (0..each).for_each(|_| capture()));
        }
    });
}

fn capture() {
    let mut card = CpalCard::open(None, None).unwrap();
    let plan = ListenPlan {
        shape: Shape {
            sample_rate_hz: 48_000,
            inputs: 2,
            outputs: 2,
        },
        signal: Arc::from(vec![0.1_f32; 480]),
        output_channel: 1,
        keep: vec![1, 2],
        duration_s: 0.02,
    };
    // A report of lost frames on a busy machine is no leak.
    match listen(&mut card, &plan, &mut |_| Go::On) {
        Ok(_) => {
            WHOLE.fetch_add(1, Ordering::Relaxed);
        }
        // A busy machine loses frames; what is held must come back then, too.
        Err(error) => println!("{error}"),
    }
    TRIED.fetch_add(1, Ordering::Relaxed);
}

/// Captures in all.
const COUNT: usize = 200;

/// Not a test: the process that records, started by the test below.
#[test]
fn recorder() {
    let Ok(lanes) = std::env::var("BASSAY_MANY_LANES") else {
        return;
    };
    let lanes: usize = lanes.parse().unwrap();
    captures(lanes, 5);
    // Threads that close a stream end on their own.
    std::thread::sleep(Duration::from_secs(1));
    let before = held();
    let begun = Instant::now();
    captures(lanes, COUNT / lanes);
    let took = begun.elapsed();
    std::thread::sleep(Duration::from_secs(1));
    let after = held();
    let (tried, whole) = (TRIED.load(Ordering::Relaxed), WHOLE.load(Ordering::Relaxed));
    println!("\ncounted {tried}, {whole} whole, in {took:?}: {before:?} {after:?}");
    assert_eq!((before.0, before.1), (after.0, after.1), "handles, threads");
    // One ring that is kept takes 1.5 MB; of fifty captures that is 75 MB. The allocator settles within 8 MB.
    assert!(after.2 < before.2 + 8_000, "{before:?} {after:?} kB");
}

/// 200 captures in one process: 50 in a row in each of four lanes, or all in one with `BASSAY_LONG=1`.
#[test]
fn captures_in_a_row_leave_nothing_behind() {
    let sound = Sound::direct(48_000);
    let lanes = std::env::var_os("BASSAY_LONG").map_or(LANES, |_| 1);
    let output = sound
        .within(std::env::current_exe().unwrap())
        .args(["--exact", "many::recorder", "--nocapture"])
        .env("BASSAY_MANY_LANES", lanes.to_string())
        .output()
        .unwrap();
    let said = Said::of(&output);
    println!("{}", said.out);
    assert_eq!(said.status, 0, "{said:?}");
    let line = said
        .out
        .lines()
        .find(|l| l.starts_with("counted "))
        .unwrap();
    let counts: Vec<usize> = line
        .split([' ', ','])
        .filter_map(|word| word.parse().ok())
        .take(2)
        .collect();
    assert_eq!(counts[0], COUNT + 5 * lanes, "{line}");
    // Ends of failed captures only would say little.
    assert!(counts[1] * 10 >= counts[0] * 9, "{line}");
}
