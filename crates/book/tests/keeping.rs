//! Finding runs, changing notes, and copying a book.

mod common;

use std::sync::atomic::{AtomicBool, Ordering};

use book::{Book, BookError};
use common::{add, matching};
use rusqlite::Connection;

fn notes(of: &[(&str, &str)]) -> Vec<(String, String)> {
    of.iter()
        .map(|(key, value)| ((*key).to_owned(), (*value).to_owned()))
        .collect()
}

#[test]
fn each_word_must_be_found_in_chain_notes_or_paths() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let mut book = Book::open_or_create(&path).unwrap();
    add(&mut book, "attic-laptop", &matching(8)).unwrap();
    add(&mut book, "pier 100%_board", &matching(8)).unwrap();
    book.set_notes("attic-laptop", &notes(&[("cable", "2 m, \\ \"flat\"")]))
        .unwrap();
    let found = |text: &str| -> Vec<i64> {
        let rows = book.search(text).unwrap();
        rows.iter().map(|row| row.number).collect()
    };
    assert_eq!(found(""), [1, 2]);
    assert_eq!(found(" \t "), [1, 2]);
    assert_eq!(found("ATTIC"), [1]);
    assert_eq!(found("port.vcd"), [1, 2]);
    assert_eq!(found("cable flat attic"), [1]);
    assert_eq!(found("cable flat pier"), [0; 0]);
    // Nothing that a language of patterns would take for itself has a meaning.
    assert_eq!(found("100%_"), [2]);
    assert_eq!(found("a%c"), [0; 0]);
    assert_eq!(found("attic_laptop"), [0; 0]);
    assert_eq!(found("\\ \"flat\""), [1]);
    assert_eq!(found("' OR 1=1 --"), [0; 0]);
    assert_eq!(found(&"x".repeat(100_000)), [0; 0]);
    assert_eq!(found(&"a ".repeat(50_000)), [1, 2]);
    assert_eq!(book.search("attic").unwrap()[0], book.runs().unwrap()[0]);
}

#[test]
fn notes_are_replaced_together() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let mut book = Book::open_or_create(&path).unwrap();
    add(&mut book, "one", &matching(8)).unwrap();
    add(&mut book, "two", &matching(8)).unwrap();
    assert_eq!(book.notes("one").unwrap(), notes(&[("cable", "5 m")]));
    let given = notes(&[("system", "old"), ("adapter", "relay"), ("system", "new")]);
    book.set_notes("one", &given).unwrap();
    let kept = notes(&[("adapter", "relay"), ("system", "new")]);
    assert_eq!(book.notes("one").unwrap(), kept);
    assert_eq!(book.run(1).unwrap().notes, kept);
    assert_eq!(book.notes("two").unwrap(), notes(&[("cable", "5 m")]));
    // A note that the schema refuses leaves all as it was.
    let refused = notes(&[("fine", "x"), ("", "no key")]);
    assert!(book.set_notes("one", &refused).is_err());
    assert_eq!(book.notes("one").unwrap(), kept);
    book.set_notes("one", &[]).unwrap();
    assert_eq!(book.notes("one").unwrap(), []);
    for result in [
        book.set_notes("three", &given),
        book.notes("three").map(drop),
    ] {
        assert!(matches!(result, Err(BookError::NoSuchChain { .. })));
    }
}

#[test]
fn a_copy_is_a_book_with_all_that_was_there() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    let copy = folder.path().join("copy.sqlite");
    let mut book = Book::open_or_create(&path).unwrap();
    add(&mut book, "one", &matching(40)).unwrap();
    book.backup(&copy).unwrap();
    add(&mut book, "two", &matching(8)).unwrap();
    let before = std::fs::read(&copy).unwrap();
    assert!(matches!(book.backup(&copy), Err(BookError::Exists { .. })));
    assert_eq!(std::fs::read(&copy).unwrap(), before);
    // Nothing but the file itself is left.
    let names = std::fs::read_dir(folder.path()).unwrap().filter(|entry| {
        let name = entry.as_ref().unwrap().file_name();
        name.to_string_lossy().starts_with("copy")
    });
    assert_eq!(names.count(), 1);
    let nowhere = folder.path().join("no/such/folder/copy.sqlite");
    assert!(matches!(
        book.backup(&nowhere),
        Err(BookError::Denied { .. })
    ));

    let mut copied = Book::open(&copy).unwrap();
    assert_eq!(copied.runs().unwrap(), book.runs().unwrap()[..1]);
    assert!(copied.observations(1).unwrap() == matching(40).observations);
    assert_eq!(copied.notes("one").unwrap(), notes(&[("cable", "5 m")]));
    // It goes on as the book would, with numbers that were not given before.
    assert_eq!(add(&mut copied, "one", &matching(8)).unwrap(), 2);
    let mode: String = Connection::open(&copy)
        .unwrap()
        .pragma_query_value(None, "journal_mode", |row| row.get(0))
        .unwrap();
    assert_eq!(mode, "wal");
}

#[test]
fn a_copy_that_is_made_while_others_write_holds_whole_runs() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("book.sqlite");
    add(
        &mut Book::open_or_create(&path).unwrap(),
        "one",
        &matching(50),
    )
    .unwrap();
    let done = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let writer = scope.spawn(|| {
            let mut book = Book::open(&path).unwrap();
            while !done.load(Ordering::Relaxed) {
                add(&mut book, "one", &matching(50)).unwrap();
            }
        });
        for i in 0..5 {
            let copy = folder.path().join(format!("copy-{i}.sqlite"));
            Book::open(&path).unwrap().backup(&copy).unwrap();
            let copied = Book::open(&copy).unwrap();
            for row in copied.runs().unwrap() {
                assert_eq!(copied.observations(row.number).unwrap().len(), 50);
            }
        }
        done.store(true, Ordering::Relaxed);
        writer.join().unwrap();
    });
}
