//! Tokens and sessions of callers.

use super::*;

on_each_store! {
    tokens_are_kept_and_taken_back,
    a_page_session_is_kept_used_and_ended,
}

async fn tokens_are_kept_and_taken_back(store: Store) {
    let token = NewToken {
        id: "t1".into(),
        name: "ward".into(),
        hash: "ab".repeat(32),
        rights: "submit read".into(),
        clinic: Some("north".into()),
        device: None,
        expires: Some(9),
    };
    store.keep_token(&token, 1).await.unwrap();
    let second = NewToken { id: "t2".into(), ..token.clone() };
    assert!(store.keep_token(&second, 1).await.is_err(), "no two of one hash");
    let kept = store.tokens().await.unwrap();
    assert_eq!(kept.len(), 1);
    assert_eq!((kept[0].clinic.as_deref(), kept[0].expires, kept[0].revoked), (Some("north"), Some(9), None));
    assert_eq!(store.revoke_token("t1", 5).await.unwrap(), Revoked::Now);
    assert_eq!(store.revoke_token("t1", 6).await.unwrap(), Revoked::Before);
    assert_eq!(store.revoke_token("t2", 6).await.unwrap(), Revoked::Unknown);
    assert_eq!(store.tokens().await.unwrap()[0].revoked, Some(5));
}

async fn a_page_session_is_kept_used_and_ended(store: Store) {
    let session = |used| PageSession { credential: "c".into(), opened: 5, used };
    store.open_page_session("a", &session(5), (0, 0), 3).await.unwrap();
    assert_eq!(store.page_session("a").await.unwrap(), Some(session(5)));
    store.use_page_session("a", 9).await.unwrap();
    assert_eq!(store.page_session("a").await.unwrap(), Some(session(9)));
    for (id, used) in [("b", 6), ("c", 7), ("d", 8)] {
        store.open_page_session(id, &session(used), (0, 0), 3).await.unwrap();
    }
    assert_eq!(store.page_session("b").await.unwrap(), None, "the least used makes room");
    store.open_page_session("e", &session(9), (8, 0), 3).await.unwrap();
    assert_eq!(store.page_session("c").await.unwrap(), None, "it rested too long");
    store.open_page_session("f", &session(10), (0, 6), 9).await.unwrap();
    assert_eq!(store.page_session("a").await.unwrap(), None, "it was opened too long ago");
    store.end_page_session("f").await.unwrap();
    assert_eq!(store.page_session("f").await.unwrap(), None);
}
