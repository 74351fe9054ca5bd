//! Raw captures come back byte for byte, or it is said that they do not.

use crate::entries::{inspection, raw};
use bassay::production::archive::{Archive, ArchiveError, Kept};
use bassay::production::archive_flac::{pack, unpack};
use bassay::production::entry::Kind;
use bassay::production::ledger::audit::Damage;
use bassay::production::ledger::captures::{Rules, captures, expired, prove};
use bassay::production::ledger::sqlite::{Purpose, SqliteLedger};
use bassay::production::ledger::{Ledger, Store};
use std::path::PathBuf;

/// A decaying tone with a bit of noise, as 16 or 24-bit integers or 32-bit floats.
pub fn wav(bits: u16, float: bool, channels: u16, frames: u32) -> Vec<u8> {
    let spec = hound::WavSpec {
        channels,
        sample_rate: 48_000,
        bits_per_sample: bits,
        sample_format: if float {
            hound::SampleFormat::Float
        } else {
            hound::SampleFormat::Int
        },
    };
    let mut bytes = std::io::Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec).unwrap();
    let full = 2f64.powi(i32::from(bits) - 1) - 1.0;
    let mut noise: u32 = 1;
    for i in 0..frames * u32::from(channels) {
        noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let t = f64::from(i) / 48_000.0;
        let v = 0.5 * (251.0 * t).sin() * (-t).exp() + f64::from(noise) / 4.3e12;
        if float {
            writer.write_sample(v as f32).unwrap();
        } else {
            writer.write_sample((v * full) as i32).unwrap();
        }
    }
    writer.finalize().unwrap();
    bytes.into_inner()
}

/// With a chunk of text behind the samples.
fn with_chunk(mut wav: Vec<u8>, id: &[u8; 4], inside: &[u8]) -> Vec<u8> {
    wav.extend_from_slice(id);
    wav.extend_from_slice(&(inside.len() as u32).to_le_bytes());
    wav.extend_from_slice(inside);
    if inside.len() % 2 == 1 {
        wav.push(0);
    }
    wav
}

fn kept_as(archive: &Archive, digest: &str) -> PathBuf {
    ["flac", "zst"]
        .map(|end| {
            archive
                .folder()
                .join(&digest[..2])
                .join(format!("{digest}.{end}"))
        })
        .into_iter()
        .find(|p| p.exists())
        .unwrap()
}

#[test]
fn every_kind_of_wav_comes_back_byte_for_byte() {
    let folder = tempfile::tempdir().unwrap();
    let archive = Archive::new(&folder.path().join("captures"));
    let plain = wav(16, false, 2, 4800);
    let mut cut = plain.clone();
    cut.truncate(plain.len() - 3);
    let odd = with_chunk(wav(24, false, 1, 4801), b"note", b"odd");
    let cases = [
        ("16 bits", plain.clone(), "flac"),
        ("24 bits", wav(24, false, 2, 4800), "flac"),
        ("one sample", wav(16, false, 1, 1), "flac"),
        (
            "with a chunk",
            with_chunk(plain.clone(), b"LIST", b"INFOISFT\x04\0\0\0abc\0"),
            "flac",
        ),
        // The length of 24-bit mono with an odd count is odd: hound pads it, FLAC's blocks would lose the pad.
        ("odd chunk", odd, "zst"),
        ("32 bits", wav(32, false, 2, 4800), "zst"),
        ("floats", wav(32, true, 2, 4800), "zst"),
        ("cut off", cut, "zst"),
        ("no WAV at all", b"not a WAV".to_vec(), "zst"),
        ("nothing", Vec::new(), "zst"),
    ];
    for (name, bytes, end) in cases {
        let digest = archive.keep(&bytes).unwrap();
        assert_eq!(digest, blake3::hash(&bytes).to_hex().to_string(), "{name}");
        let path = kept_as(&archive, &digest);
        assert_eq!(path.extension().unwrap(), end, "{name}");
        assert_eq!(archive.take(&digest).unwrap(), bytes, "{name}");
        // A second time nothing is written.
        let before = std::fs::metadata(&path).unwrap().modified().unwrap();
        archive.keep(&bytes).unwrap();
        assert_eq!(
            std::fs::metadata(&path).unwrap().modified().unwrap(),
            before
        );
    }
    let packed = pack(&plain).unwrap().len();
    assert!(packed < plain.len() * 9 / 10, "{packed} of {}", plain.len());
}

#[test]
fn a_damaged_capture_is_never_given_back() {
    let folder = tempfile::tempdir().unwrap();
    let archive = Archive::new(folder.path());
    for bytes in [wav(16, false, 1, 2000), wav(32, true, 1, 2000)] {
        let digest = archive.keep(&bytes).unwrap();
        let path = kept_as(&archive, &digest);
        let sound = std::fs::read(&path).unwrap();
        for at in (0..sound.len()).step_by(41) {
            let mut damaged = sound.clone();
            damaged[at] ^= 0x10;
            std::fs::write(&path, &damaged).unwrap();
            match archive.take(&digest) {
                // What is in no use (a tag's text) may differ; the bytes of the WAV may not.
                Ok(back) => assert_eq!(back, bytes, "byte {at}"),
                Err(ArchiveError::Damaged { .. }) => {}
                Err(other) => panic!("byte {at}: {other}"),
            }
        }
        for length in [0, 3, 50, sound.len() / 2, sound.len() - 1] {
            std::fs::write(&path, &sound[..length]).unwrap();
            assert!(
                matches!(archive.take(&digest), Err(ArchiveError::Damaged { .. })),
                "{length}"
            );
        }
        // Kept again, it is sound again.
        archive.keep(&bytes).unwrap();
        assert_eq!(archive.state(&digest).unwrap(), Kept::Sound);
    }
    assert!(unpack(b"fLaC").is_err());
    assert!(matches!(
        archive.take("../../etc"),
        Err(ArchiveError::Digest { .. })
    ));
    let none = "0".repeat(64);
    assert!(matches!(
        archive.take(&none),
        Err(ArchiveError::Missing { .. })
    ));
}

#[test]
fn pruned_is_told_from_missing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("line.db");
    let archive = Archive::beside(&path);
    let mut store = SqliteLedger::open(&path, Purpose::Write).unwrap();
    // Minute 0 fails, 1 to 3 pass; 3 shares its take with 0.
    let takes: Vec<Vec<u8>> = (0..3).map(|i| wav(16, false, 1, 500 + i)).collect();
    for minute in 0..4u32 {
        let take = &takes[minute as usize % 3];
        archive.keep(take).unwrap();
        let mut entry = inspection("D-1", minute);
        entry.files = vec![raw("mouth.wav", take)];
        store.append("bench-1", &entry).unwrap();
    }
    let rules = Rules {
        failed_days: 100.0,
        passed_days: 10.0,
    };
    let day = |n: i64| 1_773_446_400_000_000 + n * 86_400_000_000;
    let all = captures(&mut store, rules).unwrap();
    assert_eq!(all.len(), 3);
    assert!(expired(&all, &archive, day(9)).is_empty());
    // The failed one's take is wanted longer, also for the one that passed with it.
    assert_eq!(expired(&all, &archive, day(11)).len(), 2);
    assert_eq!(expired(&all, &archive, day(101)).len(), 3);
    let proof = prove(&all, &archive, &|_| ()).unwrap();
    assert_eq!((proof.named, proof.sound), (3, 3));

    // Removed by hand: missing.
    archive.remove(&raw("", &takes[1]).digest).unwrap();
    let proof = prove(&all, &archive, &|_| ()).unwrap();
    assert_eq!((proof.sound, proof.missing), (2, 1));
    let b = &proof.breaks["bench-1"];
    assert_eq!((b.number, b.damage), (2, Damage::MissingFile));

    // Written down: in order, until a later entry names it again.
    let mut entry = inspection("", 60);
    entry.kind = Kind::Retention;
    entry.files = vec![raw("mouth.wav", &takes[1])];
    store.append("bench-1", &entry).unwrap();
    let all = captures(&mut store, rules).unwrap();
    let proof = prove(&all, &archive, &|_| ()).unwrap();
    assert_eq!(
        (proof.removed, proof.missing, proof.breaks.len()),
        (1, 0, 0)
    );
    let mut again = inspection("D-1", 61);
    again.files = vec![raw("mouth.wav", &takes[1])];
    store.append("bench-1", &again).unwrap();
    let all = captures(&mut store, rules).unwrap();
    assert_eq!(prove(&all, &archive, &|_| ()).unwrap().missing, 1);

    // Other bytes under its digest.
    let place = kept_as(&archive, &raw("", &takes[0]).digest);
    std::fs::write(&place, pack(&takes[2]).unwrap()).unwrap();
    let proof = prove(&all, &archive, &|_| ()).unwrap();
    let b = &proof.breaks["bench-1"];
    assert_eq!((proof.wrong, b.number, b.damage), (1, 1, Damage::WrongFile));
    assert!(store.integrity().unwrap().is_none());
}
