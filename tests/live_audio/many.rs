//! Many captures in one process: nothing grows.

use crate::server::{Said, Sound};
use bassay::capture::card::Shape;
use bassay::capture::cpal_card::CpalCard;
use bassay::capture::listen::{ListenPlan, listen};
use bassay::capture::take::Go;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// What the process holds: (file handles, threads, resident memory in kB).
fn held() -> (usize, usize, u64) {
    let count = |folder| std::fs::read_dir(folder).unwrap().count();
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|l| l.starts_with("VmRSS:")).unwrap();
    let kilobytes = line.split_whitespace().nth(1).unwrap().parse().unwrap();
    (count("/proc/self/fd"), count("/proc/self/task"), kilobytes)
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
    if let Err(error) = listen(&mut card, &plan, &mut |_| Go::On) {
        println!("{error}");
    }
}

/// Not a test: the process that records, started by the test below.
#[test]
fn recorder() {
    let Ok(most_s) = std::env::var("BASSAY_MANY_S") else {
        return;
    };
    let most = Duration::from_secs(most_s.parse().unwrap());
    (0..5).for_each(|_| capture());
    // Threads that close a stream end on their own.
    std::thread::sleep(Duration::from_secs(1));
    let before = held();
    let begun = Instant::now();
    let mut count = 0;
    while count < 200 && begun.elapsed() < most {
        capture();
        count += 1;
    }
    std::thread::sleep(Duration::from_secs(1));
    println!("\ncounted {count} {before:?} {:?}", held());
    let after = held();
    assert_eq!((before.0, before.1), (after.0, after.1), "handles, threads");
    // One ring that is kept takes 1.5 MB; of fifty captures that is 75 MB. The allocator settles within 8 MB.
    assert!(after.2 < before.2 + 8_000, "{before:?} {after:?} kB");
}

/// 200 captures with `BASSAY_LONG=1`, otherwise as many as fit into 45 s.
#[test]
fn captures_in_a_row_leave_nothing_behind() {
    let sound = Sound::direct(48_000);
    let long = std::env::var_os("BASSAY_LONG").is_some();
    let output = sound
        .within(std::env::current_exe().unwrap())
        .args(["--exact", "many::recorder", "--nocapture"])
        .env("BASSAY_MANY_S", if long { "1000" } else { "45" })
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
    let count: u32 = line.split_whitespace().nth(1).unwrap().parse().unwrap();
    assert!(count >= if long { 200 } else { 40 }, "{line}");
}
