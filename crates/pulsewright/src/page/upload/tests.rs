use std::path::Path;

use super::arrival::shown_name;
use super::*;

fn typed(pairs: &[(&str, &str)]) -> Typed {
    let mut typed = Typed::default();
    for (name, text) in pairs {
        typed.put(name, (*text).to_owned());
    }
    typed
}

fn args(pairs: &[(&str, &str)]) -> Result<ReadArgs, Fault> {
    typed(pairs).args(Path::new("/tmp/-x.vcd"), None)
}

#[test]
fn fields_become_the_options_that_they_stand_for() {
    let args = args(&[
        ("chain", "attic laptop"),
        ("requested", "50, 250 ms; 0.5 s"),
        ("note", "cable = 5 m, shielded\r\n\r\nlink=USB"),
        ("bridge", "2"),
        ("threshold", "-0.5"),
        ("shared-clock", "yes"),
        ("idle", ""),
        ("nonsense", "--yes"),
    ])
    .unwrap();
    assert_eq!(args.requested, [50.0, 250.0, 500.0]);
    assert_eq!(args.chain.as_deref(), Some("attic laptop"));
    assert_eq!(args.notes[0], ("cable".into(), "5 m, shielded".into()));
    assert_eq!(args.notes[1], ("link".into(), "USB".into()));
    assert_eq!((args.bridge, args.threshold), (Some(2.0), Some(-0.5)));
    assert!(args.shared_clock && args.idle.is_none());
    assert_eq!(args.captures, [PathBuf::from("/tmp/-x.vcd")]);
    let spaced = args_of_widths("50 250 500");
    assert_eq!(spaced, [50.0, 250.0, 500.0]);
}

fn args_of_widths(widths: &str) -> Vec<f64> {
    args(&[("requested", widths)]).unwrap().requested
}

#[test]
fn what_can_t_be_used_is_told_beside_its_field_in_its_words() {
    for (name, text, found) in [
        ("requested", "wide", "found `wide`"),
        ("requested", "0", "above zero"),
        ("bridge", "-1", "0 or more"),
        ("direction", "up", "up"),
        ("note", "no sign", "NAME=VALUE"),
        ("threshold", "high", "expected a number"),
    ] {
        let fault = args(&[(name, text)]).expect_err(name);
        assert_eq!(fault.field, Some(name), "{}", fault.text);
        assert!(fault.text.contains(found), "{}", fault.text);
        assert!(!fault.text.contains("--"), "{}", fault.text);
    }
    let fault = Fault::of(
        "port.vcd: found no word of what was asked for; say it with --requested or with --requests",
    );
    assert_eq!(fault.field, Some("requested"));
    assert!(
        fault
            .text
            .ends_with("with \"Requested widths\" or with \"Request log\"")
    );
    let both = typed(&[("requested", "50")]).args(Path::new("a"), Some(Path::new("b")));
    let fault = both.expect_err("both");
    assert!(fault.text.contains("cannot be used with"), "{}", fault.text);
}

#[test]
fn an_option_can_t_be_smuggled_in_by_a_value() {
    for text in ["--book=/etc/passwd", "-", "--help", "@file"] {
        let args = args(&[("chain", text), ("channel", text)]).unwrap();
        assert_eq!(args.chain.as_deref(), Some(text));
        assert_eq!(args.channel.as_deref(), Some(text));
    }
}

#[test]
fn names_of_files_are_only_shown() {
    for (name, shown) in [
        ("port.vcd", "port.vcd"),
        ("../../etc/passwd", "passwd"),
        (r"C:\captures\port 1.csv", "port 1.csv"),
        ("<script>.vcd", "_script_.vcd"),
        ("", "a file without a name"),
        ("a\0b\n.vcd", "ab.vcd"),
    ] {
        assert_eq!(shown_name(name), shown);
    }
    assert_eq!(shown_name(&"x".repeat(500)).len(), 80);
}

#[test]
fn the_folder_stands_beside_the_book() {
    assert_eq!(
        folder_of(Path::new("/a/book.sqlite")),
        Path::new("/a/book.sqlite.captures")
    );
    assert!(folder_of(Path::new("book.sqlite")).is_absolute());
}

#[test]
fn the_form_keeps_what_was_typed_and_escapes_it() {
    let typed = typed(&[
        ("chain", "\"><script>"),
        ("direction", "dec-"),
        ("bridge", "x"),
    ]);
    let fault = typed.args(Path::new("a"), None).expect_err("a fault");
    let page = fields::all(&typed, Some(&fault), &["<b>".to_owned()]).into_string();
    assert!(!page.contains("<script>") && !page.contains("<b>"));
    assert!(page.contains("<option value=\"dec-\" selected>"));
    assert!(page.contains("<details open>") && page.contains("id=\"bridge-error\""));
}
