//! The book keeps what it is given, refuses what is not a book, and is never half-written.

mod common;

use std::path::Path;
use std::sync::Barrier;

use book::{Book, BookError};
use common::{add, matching, summary};
use rusqlite::Connection;

#[test]
fn a_run_comes_back_bit_by_bit() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let given = matching(40);
    let number = add(&mut Book::open_or_create(&path).unwrap(), "one", &given).unwrap();
    let book = Book::open(&path).unwrap();
    assert!(book.observations(number).unwrap() == given.observations);
    let run = book.run(number).unwrap();
    assert_eq!(run.chain, "one");
    assert_eq!(run.notes, [("cable".to_owned(), "5 m".to_owned())]);
    assert_eq!(run.sources[0].bytes, 123);
    assert!(run.summary(&path).unwrap() == summary(&given));
    let rows = book.runs().unwrap();
    assert_eq!((rows.len(), rows[0].pulses), (1, 40));
    assert_eq!(rows[0].captures, ["port.vcd"]);
    assert_eq!(
        rows[0].median_ms,
        Some(summary(&given).pooled.width_error_ms.median)
    );
    assert_eq!(book.newest_run_of("one").unwrap(), number);
}

#[test]
fn the_number_of_a_forgotten_run_is_not_used_again() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let mut book = Book::open_or_create(&path).unwrap();
    let first = add(&mut book, "one", &matching(8)).unwrap();
    book.forget(first).unwrap();
    assert!(matches!(
        book.forget(first),
        Err(BookError::NoSuchRun { .. })
    ));
    assert!(matches!(
        book.newest_run_of("one"),
        Err(BookError::NoSuchChain { .. })
    ));
    let second = add(&mut book, "one", &matching(8)).unwrap();
    assert!(second > first);
    // Foreign keys are on: nothing of the first is left.
    let raw = Connection::open(&path).unwrap();
    for table in ["pulse", "stray", "source"] {
        let sql = format!("SELECT count(*) FROM {table} WHERE run_id = ?1");
        let left: i64 = raw.query_row(&sql, [first], |row| row.get(0)).unwrap();
        assert_eq!(left, 0, "{table}");
    }
}

#[test]
fn what_is_not_a_book_is_refused_and_left_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let text = folder.path().join("notes.txt");
    std::fs::write(&text, "buy solder\n".repeat(100)).unwrap();
    let before = std::fs::read(&text).unwrap();
    assert!(matches!(
        Book::open_or_create(&text),
        Err(BookError::NotABook { .. })
    ));
    assert_eq!(std::fs::read(&text).unwrap(), before);

    let other = folder.path().join("other.sqlite");
    Connection::open(&other)
        .unwrap()
        .execute_batch("CREATE TABLE recipe (name)")
        .unwrap();
    let before = std::fs::read(&other).unwrap();
    assert!(matches!(
        Book::open_or_create(&other),
        Err(BookError::NotABook { .. })
    ));
    assert_eq!(std::fs::read(&other).unwrap(), before);

    assert!(matches!(
        Book::open_or_create(folder.path()),
        Err(BookError::Directory { .. })
    ));
    let none = folder.path().join("none.sqlite");
    assert!(matches!(Book::open(&none), Err(BookError::Missing { .. })));
    assert!(!none.exists());
    let nowhere = folder.path().join("no/such/folder/book.sqlite");
    assert!(matches!(
        Book::open_or_create(&nowhere),
        Err(BookError::Denied { .. })
    ));
}

#[test]
fn a_truncated_book_is_an_error() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    add(
        &mut Book::open_or_create(&path).unwrap(),
        "one",
        &matching(400),
    )
    .unwrap();
    let whole = std::fs::read(&path).unwrap();
    for keep in [1, 50, 100, 4096, whole.len() / 2, whole.len() - 1] {
        std::fs::write(&path, &whole[..keep]).unwrap();
        let found = Book::open(&path).and_then(|book| {
            book.runs()?;
            book.observations(1)
        });
        match found {
            Ok(observations) => assert!(observations == matching(400).observations, "{keep}"),
            Err(error) => assert!(error.to_string().contains("book.sqlite"), "{keep}: {error}"),
        }
    }
}

#[test]
fn a_newer_book_is_refused_and_left_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    drop(Book::open_or_create(&path).unwrap());
    Connection::open(&path)
        .unwrap()
        .pragma_update(None, "user_version", book::VERSION + 1)
        .unwrap();
    let before = std::fs::read(&path).unwrap();
    let error = Book::open_or_create(&path).unwrap_err();
    assert!(matches!(error, BookError::Newer { found, known, .. } if found == known + 1));
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
fn every_older_schema_is_brought_up_to_date() {
    // Schema 0 is the empty file; there is none between it and this one yet.
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    std::fs::write(&path, b"").unwrap();
    let mut book = Book::open(&path).unwrap();
    add(&mut book, "one", &matching(8)).unwrap();
    let raw = Connection::open(&path).unwrap();
    let version: i64 = raw
        .pragma_query_value(None, "user_version", |row| row.get(0))
        .unwrap();
    assert_eq!(version, book::VERSION);
    let mode: String = raw
        .pragma_query_value(None, "journal_mode", |row| row.get(0))
        .unwrap();
    assert_eq!(mode, "wal");
}

#[test]
fn two_writers_take_turns() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let start = Barrier::new(4);
    std::thread::scope(|scope| {
        for writer in 0..4 {
            let (path, start) = (&path, &start);
            scope.spawn(move || {
                start.wait();
                // Each makes the book or finds it made.
                let mut book = Book::open_or_create(path).unwrap();
                for _ in 0..5 {
                    add(&mut book, &format!("writer {writer}"), &matching(50)).unwrap();
                }
            });
        }
    });
    let book = Book::open(&path).unwrap();
    let rows = book.runs().unwrap();
    assert_eq!(rows.len(), 20);
    for row in rows {
        assert_eq!(book.observations(row.number).unwrap().len(), 50);
    }
}

#[test]
fn a_disk_that_fills_up_leaves_the_book_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let mut book = Book::open_or_create(&path).unwrap();
    let first = add(&mut book, "one", &matching(20)).unwrap();
    // SQLite's own limit on the pages of a file gives the error that a full disk gives; a real full
    // disk is tried in the tests of the program.
    let error = book
        .with_most_pages(page_count(&path) + 2, |book| {
            add(book, "two", &matching(5000))
        })
        .unwrap_err();
    assert!(matches!(error, BookError::Full { .. }), "{error}");
    assert_eq!(book.runs().unwrap().len(), 1);
    assert!(book.observations(first).unwrap() == matching(20).observations);
    // And with space again it goes on.
    add(&mut book, "two", &matching(5000)).unwrap();
}

fn page_count(path: &Path) -> i64 {
    Connection::open(path)
        .unwrap()
        .pragma_query_value(None, "page_count", |row| row.get(0))
        .unwrap()
}
