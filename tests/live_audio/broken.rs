//! Takes that fail: the server dies, the server stops, frames are lost in the path.

use crate::server::{Said, Sound};
use std::time::{Duration, Instant};

/// Kills or stops the server in the middle of the sweep; the program ends within 5 s with one clear message, which says `why`.
fn ends_within_five_seconds(signal: &str, why: &str) {
    let sound = Sound::direct(48_000);
    let child = sound.recorder(&["--duration-s", "8"]).spawn().unwrap();
    let partial = sound.at("take.partial.wav");
    let begun = Instant::now();
    // 24 bits, two channels: two seconds are there.
    while std::fs::metadata(&partial).map_or(0, |m| m.len()) < 2 * 48_000 * 6 {
        assert!(
            begun.elapsed() < Duration::from_secs(20),
            "nothing is recorded"
        );
        std::thread::sleep(Duration::from_millis(20));
    }
    sound.signal(signal);
    let struck = Instant::now();
    let said = Said::of(&child.wait_with_output().unwrap());
    let took = struck.elapsed();
    println!("{signal}: {took:?}: {}", said.err);
    assert!(took < Duration::from_secs(5), "{signal}: {took:?}");
    assert_eq!(said.status, 4, "{said:?}");
    assert_eq!(said.out, "", "no document of a take that failed");
    assert_eq!(said.err.matches("bassay: ").count(), 1, "{said:?}");
    assert!(said.err.contains("take.partial.wav"), "{said:?}");
    assert!(said.last_line().contains(why), "{said:?}");
    assert!(said.err.lines().count() < 80, "{said:?}");
    let mut reader = hound::WavReader::open(&partial).unwrap();
    let frames = reader.duration();
    assert!(frames > 90_000, "{frames}");
    assert_eq!(
        reader.samples::<i32>().filter(Result::is_ok).count(),
        2 * frames as usize
    );
    assert!(!sound.at("take.wav").exists());
}

#[test]
fn a_server_that_is_killed_ends_the_take() {
    ends_within_five_seconds("KILL", "the sound card is gone");
}

#[test]
fn a_server_that_stands_still_ends_the_take() {
    ends_within_five_seconds("STOP", "the sound system does not answer");
}

/// Neither server nor sound library knows of it: the path drops 500 frames 2 s after the sweep's start.
#[test]
fn a_dropout_that_nobody_reports_is_refused() {
    let mut since = None;
    let sound = Sound::through(48_000, move |frame, out| {
        if since.is_none() && frame[0].abs() > 1e-3 {
            since = Some(0u32);
        }
        if let Some(n) = &mut since {
            *n += 1;
            if (96_000..96_500).contains(n) {
                return;
            }
        }
        out.push(frame);
    });
    let output = sound.recorder(&["--duration-s", "5"]).output().unwrap();
    let said = Said::of(&output);
    println!("{}", said.last_line());
    assert_eq!(said.status, 4, "{said:?}");
    assert_eq!(said.out, "");
    let number = |after: &str, until: &str| -> f64 {
        let text = said.err.replace('\n', " ");
        let from = text.find(after).unwrap_or_else(|| panic!("{text}")) + after.len();
        text[from..]
            .split(until)
            .next()
            .unwrap()
            .trim()
            .parse()
            .unwrap()
    };
    let count = number("about ", " frames");
    assert!((count - 500.0).abs() < 25.0, "{count}");
    // Settling, the silence ahead of the sweep, two seconds; at most 0.6 s of latency.
    let at_s = number("were lost ", " s after");
    assert!((2.75..3.4).contains(&at_s), "{at_s}");
    assert!(!sound.at("take.wav").exists() && !sound.at("take.partial.wav").exists());
    assert!(hound::WavReader::open(sound.at("take.refused.wav")).is_ok());
}
