use super::*;
use crate::signal::wav;
use std::io::BufReader;

fn read(path: &Path) -> (wav::Head, Vec<f64>) {
    let mut samples = Vec::new();
    let head = wav::read(BufReader::new(File::open(path).unwrap()), |_, block| {
        samples.extend_from_slice(block);
    })
    .unwrap();
    (head, samples)
}

/// CROSS: the crate hound reads what was written, after every piece and at the end; values within half a step of 2^-23.
#[test]
fn it_can_be_read_after_every_piece() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("take.wav");
    let mut growing = GrowingWav::create(&path, 48_000, 3, "a card").unwrap();
    let partial = folder.path().join("take.partial.wav");
    assert_eq!(growing.partial(), partial);
    assert_eq!(hound::WavReader::open(&partial).unwrap().duration(), 0);
    let mut all: Vec<f32> = Vec::new();
    for piece in 0..20_u16 {
        let frames: Vec<f32> = (0..3 * (1 + 37 * piece))
            .map(|n| 0.9 * (f32::from(n) * 0.01 + f32::from(piece)).sin())
            .collect();
        growing.append(&frames).unwrap();
        all.extend(&frames);
        let (head, samples) = read(&partial);
        assert_eq!(head.frames, all.len() as u64 / 3);
        assert_eq!((head.channels, head.bits, head.float), (3, 24, false));
        for (got, want) in samples.iter().zip(&all) {
            assert!((got - f64::from(*want)).abs() <= 0.5001 / 8_388_608.0);
        }
        assert!(!path.exists());
    }
    assert_eq!(growing.finish().unwrap(), path);
    assert!(!partial.exists());
    assert_eq!(read(&path).1.len(), all.len());
}

/// CROSS: the crate hound skips the note of the device; an odd number of letters is filled up to an even one.
#[test]
fn what_it_was_recorded_from_stands_in_the_file() {
    let folder = tempfile::tempdir().unwrap();
    for device in ["virtual bench: design 1a2b3c4d", "odd", "zwölf"] {
        let path = folder.path().join("take.wav");
        let mut growing = GrowingWav::create(&path, 48_000, 2, device).unwrap();
        growing.append(&[0.25, -0.5, 0.125, 0.0]).unwrap();
        let path = growing.finish().unwrap();
        assert_eq!(read(&path).1, [0.25, -0.5, 0.125, 0.0]);
        let told = wav::device(BufReader::new(File::open(&path).unwrap()));
        assert_eq!(told.as_deref(), Some(device));
        let length = std::fs::metadata(&path).unwrap().len();
        let head = std::fs::read(&path).unwrap();
        // DERIVED: the size of the outer part counts all but its own eight bytes.
        let stated = u32::from_le_bytes([head[4], head[5], head[6], head[7]]);
        assert_eq!(u64::from(stated) + 8, length);
    }
}

/// DERIVED: full scale is −2^23 to 2^23 − 1; what lies beyond is limited, never wrapped.
#[test]
fn beyond_full_scale_is_limited() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("loud.wav");
    let mut growing = GrowingWav::create(&path, 44_100, 1, "a card").unwrap();
    growing.append(&[1.0, 7.0, -1.0, -7.0, f32::NAN]).unwrap();
    let path = growing.finish().unwrap();
    let step = 1.0 / 8_388_608.0;
    assert_eq!(read(&path).1, [1.0 - step, 1.0 - step, -1.0, -1.0, 0.0]);
}

/// An odd number of bytes, a complete file of an earlier take, and a take that was refused.
#[test]
fn an_earlier_file_stays_until_the_new_one_is_complete() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("take.wav");
    let mut first = GrowingWav::create(&path, 48_000, 1, "a card").unwrap();
    first.append(&[0.5]).unwrap();
    first.finish().unwrap();
    let mut second = GrowingWav::create(&path, 48_000, 1, "a card").unwrap();
    second.append(&[0.25; 3]).unwrap();
    assert_eq!(read(&path).1, [0.5]);
    let aside = second.set_aside("refused").unwrap();
    assert_eq!(aside, folder.path().join("take.refused.wav"));
    assert_eq!(read(&aside).1, [0.25; 3]);
    assert_eq!(read(&path).1, [0.5]);
}

#[test]
fn a_place_that_cannot_be_written_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("file");
    std::fs::write(&file, "x").unwrap();
    let error = GrowingWav::create(&file.join("take.wav"), 48_000, 1, "a card")
        .unwrap_err()
        .to_string();
    assert!(error.contains("take.partial.wav"), "{error}");
    assert!(error.contains("choose another place"), "{error}");
}
