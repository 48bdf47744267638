use super::*;
use proptest::prelude::*;

fn faults(text: &str) -> String {
    ChainFile::read(text).expect_err("a fault").to_string()
}

#[test]
fn each_way_is_read() {
    let file = ChainFile::read(
        "version = 1\nname = \"pier\"\ntimeout_s = 3\n[directions]\n\"ra+\" = \"west\"\n\
         [program]\ncommand = \"pulse\"\narguments = [\"{direction}\", \"{ms}\"]\n",
    )
    .unwrap();
    assert_eq!((file.name.as_str(), file.timeout_s), ("pier", 3.0));
    assert_eq!(file.direction_name(Direction::RaPlus), "west");
    assert_eq!(file.direction_name(Direction::DecMinus), "dec-");
    assert!(matches!(file.way, Way::Program { .. }));
    let file = ChainFile::read(
        "version = 1\n[http]\naddress = \"http://pier:8080/move?d={direction}\"\n\
         headers = { Accept = \"text/plain\" }\nbody = '{\"ms\": {ms}}'\n",
    )
    .unwrap();
    assert!(matches!(file.way, Way::Http { ref method, .. } if method == "POST"));
    let file = ChainFile::read(
        "version = 1\n[tcp]\naddress = \"pier:7000\"\nline = \"M {direction} {ms}\"\n\
         line_end = \"crlf\"\nexpect = \"OK\"\n",
    )
    .unwrap();
    let Way::Tcp { line, .. } = file.way else {
        panic!("not a line")
    };
    assert_eq!(line.line, "M {direction} {ms}\r\n");
    let file = ChainFile::read("version = 1\n[serial]\nport = \"P1\"\nline = \"{ms}\"\n").unwrap();
    assert!(matches!(file.way, Way::Serial { baud: 9600, .. }));
    let file = ChainFile::read("version = 1\n[hand]\n").unwrap();
    assert!(matches!(file.way, Way::Hand { wait_s: 60.0, .. }));
    let file = ChainFile::read(
        "version = 1\n[simulated]\nmissing = 0.1\n\
         width_error_ms = { family = \"normal\", mean = 12, sd = 2.5 }\n",
    )
    .unwrap();
    let Way::Simulated(law) = file.way else {
        panic!("not simulated")
    };
    assert_eq!(
        law.error_ms,
        Family::Normal {
            mean: 12.0,
            sd: 2.5
        }
    );
}

/// Each section of the template, put in place of the first, is read.
#[test]
fn every_way_of_the_template_is_read() {
    let template = ChainFile::template();
    for way in WAYS {
        let mut text = String::new();
        let mut here = "";
        for line in template.lines() {
            let bare = line.strip_prefix("# ").unwrap_or(line);
            let named = WAYS.into_iter().find(|w| bare == format!("[{w}]"));
            here = named.unwrap_or(here);
            let is_key = bare.starts_with('[') || bare.contains(" = ") && !bare.starts_with('#');
            if is_key && (here == way || here.is_empty()) {
                text += bare;
                text += "\n";
            }
        }
        let file = ChainFile::read(&text).unwrap_or_else(|e| panic!("{way}: {e}\n{text}"));
        assert_eq!(file.name, "my chain");
    }
}

#[test]
fn errors_name_line_value_and_the_way_out() {
    let text = faults("version = 1\nname = 3\n");
    assert!(
        text.contains("line 2: name: found 3, expected a text"),
        "{text}"
    );
    assert!(text.contains("no way to ask for a pulse"), "{text}");
    let text = faults("version = 1\n[hand]\n[tcp]\n");
    assert!(text.contains("line 2: hand: found a second way"), "{text}");
    let text = faults("version = 1\n[program]\narguments = [\"250\"]\n");
    assert!(
        text.contains("line 3: program.arguments: found no {ms}"),
        "{text}"
    );
    assert!(
        text.contains("line 2: program.command: found nothing"),
        "{text}"
    );
    let text = faults("version = 1\n[http]\naddress = \"https://a/{ms}\"\n");
    assert!(
        text.contains("line 3: http.address") && text.contains("TLS"),
        "{text}"
    );
    let text = faults("version = 1\n[serial]\nport = \"P\"\nbaud = 1\nline = \"{ms}\"\n");
    assert!(
        text.contains("line 4: serial.baud: found 1, expected a whole number"),
        "{text}"
    );
    let law =
        "version = 1\n[simulated]\nwidth_error_ms = { family = \"normal\", mean = 1, sd = -1 }\n";
    assert!(
        faults(law).contains("line 3: simulated.width_error_ms"),
        "{}",
        faults(law)
    );
}

#[test]
fn only_the_two_placeholders_are_filled() {
    let mut file = ChainFile::read("version = 1\n[hand]\n").unwrap();
    file.directions[0] = "{ms}".into();
    let filled = file.fill("{{direction} {ms} {x} {", Direction::RaPlus, 250.0);
    assert_eq!(filled, "{{ms} 250 {x} {");
    assert_eq!(file.fill("{ms}", Direction::RaPlus, 12.5), "12.5");
}

proptest! {
    #[test]
    fn no_text_panics(text in "[a-z\\[\\]{}=\"0-9.,+\\-\n _]{0,200}") {
        let _ = ChainFile::read(&text);
        if let Ok(file) = ChainFile::read("version = 1\n[hand]\n") {
            file.fill(&text, Direction::RaMinus, 1.0);
        }
    }
}
