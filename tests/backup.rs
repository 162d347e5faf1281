//! Backups made under write load, put back and compared; spoilt ones refused.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "studies/tube.rs"]
mod tube;

use std::io::Read;
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
        guest: false,
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
    // As long as it was, and yet not as it was.
    let changed = file(room.path(), "changed.tar.gz");
    rewritten(&archive, &changed, |path, bytes| {
        if path.ends_with("0-star.fits") {
            *bytes = b"frames of a scar".to_vec();
        }
    });
    let elsewhere = room.path().join("elsewhere");
    std::fs::create_dir(&elsewhere).unwrap();
    let said = backup::restore(&changed, &elsewhere, None).await;
    assert!(matches!(said, Err(Error::Damaged(_))), "{said:?}");
    assert_eq!(std::fs::read_dir(&elsewhere).unwrap().count(), 0);
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
    let unpacked = |bytes: &[u8]| {
        let mut all = Vec::new();
        let mut packed = flate2::read::GzDecoder::new(bytes);
        packed.read_to_end(&mut all).map(|_| all)
    };
    let held = unpacked(&whole).unwrap();
    // One byte turned over, all through the file. Bytes 4 to 9 of a gzip
    // header are its time, flags and system (RFC 1952, 2.3) and carry nothing; nor do a
    // few bits of its last block, as the codes of distances that it does not use (RFC
    // 1951, 3.2.7): with them turned over it unpacks to the very same bytes.
    for place in (0..whole.len()).step_by(whole.len() / 60) {
        if (4..10).contains(&place) {
            continue;
        }
        let mut bytes = whole.clone();
        bytes[place] ^= 0x40;
        if unpacked(&bytes).is_ok_and(|still| still == held) {
            continue;
        }
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

/// A clock ten years ahead for one boot: the old rule, by date, would have kept that
/// one and removed the rest one by one.
#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_date_removes_no_good_backup_and_the_order_is_by_number() {
    let room = tempfile::tempdir().unwrap();
    let library = Library::open(&room.path().join("club")).await.unwrap();
    let into = room.path().join("backups");
    let right: chrono::DateTime<Utc> = "2026-11-01T03:00:00Z".parse().unwrap();
    let day = |n| right + chrono::Duration::days(n);
    let keep = backup::Keep {
        days: 3,
        weeks: 0,
        months: 0,
    };
    for at in [day(0), day(1), day(3652), day(2), day(3)] {
        backup::make_into(&library, &into, at, None).await.unwrap();
        backup::tidy(&into, keep, None).await.unwrap();
    }
    let kept = backup::list(&into).unwrap();
    let numbers: Vec<u64> = kept.iter().map(|one| one.number).collect();
    assert_eq!(numbers, [3, 4, 5], "the wrong one is one of three days");
    assert_eq!(kept[2].made_at, day(3));
    // What the archive says goes before what the file is called.
    let lying = into.join(backup::file_name(99, day(0), false));
    std::fs::rename(&kept[0].path, &lying).unwrap();
    let found = backup::list(&into).unwrap();
    assert_eq!((found[0].number, found[0].made_at), (3, day(3652)));
    assert_eq!(found[0].path, lying);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_only_backup_that_can_be_read_is_never_removed() {
    let room = tempfile::tempdir().unwrap();
    let library = Library::open(&room.path().join("club")).await.unwrap();
    let into = room.path().join("backups");
    let first: chrono::DateTime<Utc> = "2026-11-01T03:00:00Z".parse().unwrap();
    let mut made = Vec::new();
    for day in 0..5 {
        let at = first + chrono::Duration::days(day);
        made.push(
            backup::make_into(&library, &into, at, None)
                .await
                .unwrap()
                .path,
        );
    }
    for spoilt in &made[2..] {
        let mut bytes = std::fs::read(spoilt).unwrap();
        let middle = bytes.len() / 2;
        bytes[middle] ^= 0x40;
        std::fs::write(spoilt, bytes).unwrap();
    }
    let keep = backup::Keep {
        days: 2,
        weeks: 0,
        months: 0,
    };
    let done = backup::tidy(&into, keep, None).await.unwrap();
    assert_eq!(done.spared, [made[1].clone()]);
    assert_eq!(done.removed, [made[0].clone(), made[2].clone()]);
    backup::check(&made[1], None).await.unwrap();
    // With none that can be read, all stay.
    std::fs::write(&made[1], b"no more").unwrap();
    let done = backup::tidy(&into, keep, None).await.unwrap();
    assert!(done.removed.is_empty(), "{done:?}");
}

#[cfg(unix)]
#[tokio::test(flavor = "multi_thread")]
async fn only_the_owner_may_read_a_backup_and_its_folder() {
    use std::os::unix::fs::PermissionsExt;
    let room = tempfile::tempdir().unwrap();
    let club = room.path().join("club");
    let library = Library::open(&club).await.unwrap();
    let into = room.path().join("on").join("another");
    let made = backup::make_into(&library, &into, Utc::now(), None)
        .await
        .unwrap();
    let rights = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(rights(&made.path), 0o600);
    assert_eq!(rights(&into), 0o700);
    assert_eq!(rights(&club), 0o700);
    let all = [into.clone(), made.path.clone()];
    assert!(backup::open_to_others(&all).is_empty());
    std::fs::set_permissions(&made.path, std::fs::Permissions::from_mode(0o644)).unwrap();
    assert_eq!(backup::open_to_others(&all), [(made.path, 0o644)]);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_encrypted_backup_opens_with_its_own_key_only() {
    let room = tempfile::tempdir().unwrap();
    let (library, _) = club_with_waiting_frames(&room.path().join("club")).await;
    let into = room.path().join("backups");
    let key_file = |name: &str| {
        let secret = age::x25519::Identity::generate();
        let path = room.path().join(name);
        let text = age::secrecy::ExposeSecret::expose_secret(&secret.to_string()).to_owned();
        std::fs::write(&path, format!("# made for a test\n{text}\n")).unwrap();
        (
            backup::Key::read(&path).unwrap(),
            secret.to_public().to_string(),
        )
    };
    let ((own, public), (other, _)) = (key_file("own"), key_file("other"));
    let recipient: backup::Recipient = public.parse().unwrap();
    let made = backup::make_into(&library, &into, Utc::now(), Some(&recipient))
        .await
        .unwrap();
    assert!(made.path.to_string_lossy().ends_with(".tar.gz.age"));
    // The format's own first line (age-encryption.org/v1), and no name in clear.
    let bytes = std::fs::read(&made.path).unwrap();
    assert!(bytes.starts_with(b"age-encryption.org/v1\n"));
    for key in [None, Some(&other)] {
        let said = backup::check(&made.path, key).await;
        assert!(matches!(said, Err(Error::Refused(_))), "{said:?}");
    }
    let drill = backup::drill(&made.path, Some(&own), Utc::now())
        .await
        .unwrap();
    assert_eq!(drill.files, 2);
    let folder = room.path().join("restored");
    backup::restore(&made.path, &folder, Some(&own))
        .await
        .unwrap();
    assert_eq!(people(&folder).await, 1);
    // Without the key it is known by its sum whether it is as it was written.
    let first: chrono::DateTime<Utc> = "2020-01-01T03:00:00Z".parse().unwrap();
    backup::make_into(&library, &into, first, Some(&recipient))
        .await
        .unwrap();
    let keep = backup::Keep {
        days: 1,
        weeks: 0,
        months: 0,
    };
    assert_eq!(
        backup::tidy(&into, keep, None).await.unwrap().removed,
        [made.path]
    );
    let newest = backup::list(&into).unwrap().pop().unwrap().path;
    let later = backup::make_into(&library, &into, Utc::now(), Some(&recipient))
        .await
        .unwrap();
    let mut bytes = std::fs::read(&later.path).unwrap();
    *bytes.last_mut().unwrap() ^= 1;
    std::fs::write(&later.path, bytes).unwrap();
    assert_eq!(
        backup::tidy(&into, keep, None).await.unwrap().spared,
        [newest]
    );
    assert!("age1nonsense".parse::<backup::Recipient>().is_err());
}

/// The archive with its list changed by hand.
fn with_list(archive: &Path, to: &Path, change: impl Fn(&mut serde_json::Value)) {
    rewritten(archive, to, |path, bytes| {
        if path == Path::new("manifest.json") {
            let mut list = serde_json::from_slice(bytes).unwrap();
            change(&mut list);
            *bytes = serde_json::to_vec(&list).unwrap();
        }
    });
}

/// The archive with its files changed by hand.
fn rewritten(archive: &Path, to: &Path, change: impl Fn(&Path, &mut Vec<u8>)) {
    let open = |path| flate2::read::GzDecoder::new(std::fs::File::open(path).unwrap());
    let mut from = tar::Archive::new(open(archive));
    let gz = flate2::write::GzEncoder::new(
        std::fs::File::create(to).unwrap(),
        flate2::Compression::fast(),
    );
    let mut tar = tar::Builder::new(gz);
    for entry in from.entries().unwrap() {
        let mut entry = entry.unwrap();
        let path = entry.path().unwrap().into_owned();
        let mut bytes = Vec::new();
        std::io::Read::read_to_end(&mut entry, &mut bytes).unwrap();
        change(&path, &mut bytes);
        let mut header = tar::Header::new_gnu();
        header.set_size(bytes.len() as u64);
        tar.append_data(&mut header, path, bytes.as_slice())
            .unwrap();
    }
    tar.into_inner().unwrap().finish().unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_restore_drill_opens_the_club_and_counts_its_rows() {
    let room = tempfile::tempdir().unwrap();
    let (library, _) = club_with_waiting_frames(&room.path().join("club")).await;
    let into = room.path().join("backups");
    let made = backup::make_into(&library, &into, Utc::now(), None)
        .await
        .unwrap();
    assert_eq!(backup::last_drill(&into), None);
    let done = backup::drill(&made.path, None, Utc::now()).await.unwrap();
    assert_eq!((done.number, done.files), (1, 2));
    assert!(done.rows > 2);
    backup::note_drill(&into, &done).unwrap();
    assert_eq!(backup::last_drill(&into), Some(done));
    let lying = room.path().join("lying.tar.gz");
    with_list(&made.path, &lying, |list| list["rows"]["people"] = 7.into());
    let said = backup::drill(&lying, None, Utc::now()).await.unwrap_err();
    assert!(
        said.to_string().contains("people holds 1 rows and held 7"),
        "{said}"
    );
    // One made before rows were counted has none to compare.
    with_list(&made.path, &lying, |list| {
        list.as_object_mut().unwrap().remove("rows");
        list.as_object_mut().unwrap().remove("number");
    });
    assert_eq!(
        backup::drill(&lying, None, Utc::now())
            .await
            .unwrap()
            .number,
        0
    );
}
