//! Backups made under write load, put back and compared; spoilt ones refused.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "studies/tube.rs"]
mod tube;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use chrono::Utc;
use tubewright::backup::{self, Error};
use tubewright::library::people::{NewPerson, Person, Role};
use tubewright::library::{AttemptId, Library, PersonId, attempts, instruments};

async fn add(library: &Library, number: usize) -> PersonId {
    let new = NewPerson {
        name: format!("Person {number}"),
        email: format!("person{number}@club.example"),
        role: Role::Member,
    };
    let mut write = library.write().await.unwrap();
    let id = Person::add(&mut write, &new, Utc::now()).await.unwrap();
    write.commit().await.unwrap();
    id
}

async fn people(folder: &Path) -> usize {
    let library = Library::open(folder).await.unwrap();
    let mut conn = library.read().await.unwrap();
    let count = Person::list(&mut conn).await.unwrap().len();
    drop(conn);
    library.close().await;
    count
}

fn file(room: &Path, name: &str) -> PathBuf {
    room.join(name)
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_acknowledged_before_a_backup_is_in_it_under_load() {
    let room = tempfile::tempdir().unwrap();
    let library = Library::open(&room.path().join("club")).await.unwrap();
    let done = Arc::new(AtomicBool::new(false));
    let acknowledged = Arc::new(AtomicUsize::new(0));
    let writer = tokio::spawn({
        let (library, done, acknowledged) = (library.clone(), done.clone(), acknowledged.clone());
        async move {
            while !done.load(Ordering::Relaxed) {
                let next = acknowledged.load(Ordering::Relaxed);
                add(&library, next).await;
                acknowledged.store(next + 1, Ordering::Release);
            }
        }
    });
    for round in 0..6 {
        let before = acknowledged.load(Ordering::Acquire);
        let archive = file(room.path(), &format!("{round}.tar.gz"));
        backup::make(&library, &archive, Utc::now(), None)
            .await
            .unwrap();
        let after = acknowledged.load(Ordering::Acquire);
        let folder = room.path().join(format!("restored-{round}"));
        backup::restore(&archive, &folder, None).await.unwrap();
        let held = people(&folder).await;
        // One more may have been written and not yet counted.
        assert!(
            (before..=after + 1).contains(&held),
            "{before} {held} {after}"
        );
    }
    done.store(true, Ordering::Relaxed);
    writer.await.unwrap();
    assert!(acknowledged.load(Ordering::Relaxed) > 6);
    let left: Vec<_> = std::fs::read_dir(room.path())
        .unwrap()
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .filter(|n| n.starts_with('.'))
        .collect();
    assert!(left.is_empty(), "{left:?}");
}

async fn club_with_waiting_frames(folder: &Path) -> (Library, AttemptId) {
    let library = Library::open(folder).await.unwrap();
    let by = add(&library, 1).await;
    let mut write = library.write().await.unwrap();
    let instrument = instruments::Instrument::add(&mut write, &tube::newtonian(), Utc::now(), by)
        .await
        .unwrap();
    let id = AttemptId::fresh();
    attempts::ask(&mut write, id, instrument, by, Utc::now(), 1, "{}")
        .await
        .unwrap();
    write.commit().await.unwrap();
    let frames = folder.join("frames").join(id.to_string());
    std::fs::create_dir_all(&frames).unwrap();
    std::fs::write(frames.join("0-star.fits"), b"frames of a star").unwrap();
    (library, id)
}

#[tokio::test(flavor = "multi_thread")]
async fn frames_that_wait_go_along_and_come_back() {
    let room = tempfile::tempdir().unwrap();
    let (library, id) = club_with_waiting_frames(&room.path().join("club")).await;
    let archive = file(room.path(), "b.tar.gz");
    let made = backup::make(&library, &archive, Utc::now(), None)
        .await
        .unwrap();
    assert_eq!(made.waiting, 1);
    let folder = room.path().join("restored");
    std::fs::create_dir(&folder).unwrap();
    let restored = backup::restore(&archive, &folder, None).await.unwrap();
    assert_eq!(restored.holds.waiting, [id]);
    assert_eq!(restored.holds.instruments, 1);
    let frame = folder
        .join("frames")
        .join(id.to_string())
        .join("0-star.fits");
    assert_eq!(std::fs::read(frame).unwrap(), b"frames of a star");
    // Nothing is written over.
    let again = backup::make(&library, &archive, Utc::now(), None).await;
    assert!(matches!(again, Err(Error::Refused(_))), "{again:?}");
    let again = backup::restore(&archive, &folder, None).await;
    assert!(matches!(again, Err(Error::Refused(_))), "{again:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_spoilt_backup_is_refused_before_anything_is_touched() {
    let room = tempfile::tempdir().unwrap();
    let (library, _) = club_with_waiting_frames(&room.path().join("club")).await;
    let archive = file(room.path(), "b.tar.gz");
    backup::make(&library, &archive, Utc::now(), None)
        .await
        .unwrap();
    let whole = std::fs::read(&archive).unwrap();
    let folder = room.path().join("restored");
    let spoilt = file(room.path(), "spoilt.tar.gz");
    let mut tried = 0;
    // One byte turned over, all through the file. Bytes 4 to 9 of a gzip
    // header are its time, flags and system (RFC 1952, 2.3) and carry nothing.
    for place in (0..whole.len()).step_by(whole.len() / 60) {
        if (4..10).contains(&place) {
            continue;
        }
        let mut bytes = whole.clone();
        bytes[place] ^= 0x40;
        std::fs::write(&spoilt, &bytes).unwrap();
        let said = backup::restore(&spoilt, &folder, None).await;
        assert!(matches!(said, Err(Error::Damaged(_))), "{place}: {said:?}");
        assert!(!folder.exists(), "{place}");
        tried += 1;
    }
    assert!(tried >= 50);
    for length in [0, 1, 10, 100, whole.len() / 2, whole.len() - 1] {
        std::fs::write(&spoilt, &whole[..length]).unwrap();
        let said = backup::restore(&spoilt, &folder, None).await;
        assert!(matches!(said, Err(Error::Damaged(_))), "{length}: {said:?}");
        assert!(!folder.exists());
    }
    std::fs::write(&spoilt, b"not a backup at all").unwrap();
    let said = backup::check(&spoilt, None).await;
    assert!(matches!(said, Err(Error::Damaged(_))), "{said:?}");
    backup::check(&archive, None).await.unwrap();
}

/// Archives that somebody made by hand, to write where they should not.
#[tokio::test(flavor = "multi_thread")]
async fn an_archive_that_reaches_out_is_refused() {
    let room = tempfile::tempdir().unwrap();
    let folder = room.path().join("restored");
    for path in [
        "../escaped",
        "/etc/escaped",
        "frames/../../escaped",
        "frames/not-a-try/x",
        "frames/01a21262-2d83-71c8-9c53-f6e4cc1bee99/../../x",
        "tubewright.db-wal",
    ] {
        let manifest = serde_json::json!({
            "kind": "tubewright backup", "layout": 1, "made_by": "0", "made_at": Utc::now(),
            "files": [{ "path": path, "bytes": 1, "sha256":
                "2d711642b726b04401627ca9fbac32f5c8530fb1903cc4db02258717921a4881" }],
        });
        let archive = file(room.path(), "hostile.tar.gz");
        let gz = flate2::write::GzEncoder::new(
            std::fs::File::create(&archive).unwrap(),
            flate2::Compression::fast(),
        );
        let mut tar = tar::Builder::new(gz);
        let text = serde_json::to_vec(&manifest).unwrap();
        let mut header = tar::Header::new_gnu();
        header.set_size(text.len() as u64);
        tar.append_data(&mut header, "manifest.json", text.as_slice())
            .unwrap();
        let mut header = tar::Header::new_gnu();
        header.set_size(1);
        // The crate refuses such names; whoever means harm does not use it.
        let name = path.as_bytes();
        header.as_old_mut().name[..name.len()].copy_from_slice(name);
        header.set_cksum();
        tar.append(&header, &b"x"[..]).unwrap();
        tar.into_inner().unwrap().finish().unwrap();
        let said = backup::restore(&archive, &folder, None).await;
        assert!(matches!(said, Err(Error::Damaged(_))), "{path}: {said:?}");
        assert!(!folder.exists());
        assert!(!room.path().join("escaped").exists());
    }
}
