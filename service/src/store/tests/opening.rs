//! How a store is opened: alone or shared, whole or damaged, and what a process before left under way.

use super::*;

#[tokio::test]
async fn what_is_committed_is_there_after_reopening_and_the_file_is_private() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("solewire.db");
    let store = Store::open(&path).await.unwrap();
    let body = json!({"resourceType": "Observation", "id": "a", "status": "final"});
    assert_eq!(
        commit(&store, vec![change("k", 0, vec![write("Observation", "a", 1, body)])], 5).await,
        Committed::Done
    );
    store.close().await;
    drop(store);
    let store = Store::open(&path).await.unwrap();
    let read = store.read("Observation", "a", &Reach::All).await.unwrap().unwrap();
    assert_eq!((read.version, read.updated, read.derived), (1, 5, false));
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        for name in ["solewire.db", "solewire.db-wal", "solewire.db.lock"] {
            let mode = std::fs::metadata(folder.path().join(name)).unwrap().permissions().mode();
            assert_eq!(mode & 0o777, 0o600, "{name}");
        }
    }
}

#[tokio::test]
async fn a_process_that_starts_takes_back_what_the_one_before_had_under_way() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&folder.path().join("solewire.db")).await.unwrap();
    commit(&store, vec![change("k", 0, vec![])], 1).await;
    let claimed = store.claim(1, LONG, 1).await.unwrap().remove(0);
    assert_eq!(store.release_leases(6).await.unwrap(), 1);
    assert_eq!(store.delivery(1, &Reach::All).await.unwrap().unwrap().state, DeliveryState::UnknownOutcome);
    assert_eq!(store.next_due().await.unwrap(), Some(6));
    let again = store.claim(6, LONG, 1).await.unwrap().remove(0);
    assert_eq!((again.id, again.attempts), (claimed.id, 0));
}

#[tokio::test]
async fn processes_share_one_queue_and_take_over_from_one_that_is_gone() {
    let Some(place) = postgres_place("a shared queue").await else { return };
    let (first, second) = (Store::open_at(&place).await.unwrap(), Store::open_at(&place).await.unwrap());
    commit(&first, vec![change("k", 0, vec![])], 1).await;
    commit(&second, vec![change("k", 1, vec![])], 2).await;
    assert_eq!(first.claim(3, LONG, 9).await.unwrap().len(), 1);
    assert_eq!(second.release_leases(3).await.unwrap(), 0, "the other process lives");
    assert!(second.claim(3, LONG, 9).await.unwrap().is_empty());
    // Held for longer than a sign of life lasts, and still the first one's.
    let held =
        tokio::time::Instant::now() + Duration::from_millis(super::postgres::HELD_MS.unsigned_abs() + 1000);
    while tokio::time::Instant::now() < held {
        assert!(second.claim(4, LONG, 9).await.unwrap().is_empty());
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    drop(first);
    let taken_over = async {
        loop {
            match second.claim(5, LONG, 9).await.unwrap().as_slice() {
                [] => tokio::time::sleep(Duration::from_millis(50)).await,
                claimed => return claimed.iter().map(|claimed| claimed.id).collect::<Vec<_>>(),
            }
        }
    };
    assert_eq!(tokio::time::timeout(Duration::from_secs(60), taken_over).await.unwrap(), [1]);
}

#[tokio::test]
async fn one_process_at_a_time_and_never_a_damaged_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("solewire.db");
    let store = Store::open(&path).await.unwrap();
    assert!(matches!(Store::open(&path).await, Err(StoreError::InUse { .. })));
    store.close().await;
    drop(store);
    std::fs::write(&path, vec![b'x'; 8192]).unwrap();
    let error = Store::open(&path).await.unwrap_err();
    assert!(matches!(error, StoreError::Damaged { .. }), "{error}");
    assert_eq!(std::fs::read(&path).unwrap().first(), Some(&b'x'));
    let error = Store::open(&folder.path().join("absent/solewire.db")).await.unwrap_err();
    assert!(matches!(error, StoreError::Open { .. }), "{error}");
}

#[tokio::test]
async fn damage_that_a_check_finds_after_the_opening_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("solewire.db");
    let store = Store::open(&path).await.unwrap();
    for number in 0..40 {
        let filler = json!({ "resourceType": "Observation", "note": [{ "text": "x".repeat(9000) }] });
        let id = format!("o{number}");
        commit(&store, vec![change(&id, 0, vec![write("Observation", &id, 1, filler)])], 5).await;
    }
    let sound = tokio::time::timeout(Duration::from_millis(20), store.damage()).await;
    assert!(sound.is_err(), "nothing is wrong yet");
    store.close().await;
    drop(store);
    let mut bytes = std::fs::read(&path).unwrap();
    let middle = bytes.len() / 2 / 4096 * 4096;
    bytes[middle..middle + 4096].iter_mut().zip((0..=255_u8).cycle()).for_each(|(byte, noise)| *byte = noise);
    std::fs::write(&path, &bytes).unwrap();
    let damage = match sqlite::open(&path, Duration::ZERO).await {
        Ok(database) => Store::over(Database::Sqlite(database)).damage().await,
        // The check was faster than the rest of the opening.
        Err(error) => error,
    };
    assert!(matches!(damage, StoreError::Damaged { .. }), "{damage:?}");
    assert!(matches!(sqlite::open(&path, Duration::MAX).await, Err(StoreError::Damaged { .. })));
}
