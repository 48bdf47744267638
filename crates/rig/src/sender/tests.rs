use std::io::{Read, Write};
use std::net::TcpListener;
use std::time::{Duration, Instant};

use super::*;
use crate::system::SystemClock;

const ASK: Ask = Ask {
    direction: Direction::RaPlus,
    width_ms: 250.0,
};

fn sender(text: &str) -> Box<dyn Sender + Send> {
    let file = ChainFile::read(&format!("version = 1\ntimeout_s = 0.4\n{text}")).unwrap();
    from_file(&file, Arc::new(SystemClock::new())).unwrap()
}

/// Asks once and waits for the result.
fn ask(sender: &mut dyn Sender) -> Result<Issued, SendError> {
    sender.begin(&ASK)?;
    let begun = Instant::now();
    while begun.elapsed() < Duration::from_secs(20) {
        if let Some(result) = sender.poll() {
            return result;
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    panic!("no result");
}

/// A server that reads until `end` has come, answers each connection with the next text, and says
/// what it read.
fn server(
    end: &'static [u8],
    answers: &'static [&'static str],
) -> (String, std::thread::JoinHandle<Vec<String>>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let thread = std::thread::spawn(move || {
        let mut read = Vec::new();
        for answer in answers {
            let (mut stream, _) = listener.accept().unwrap();
            let mut bytes = Vec::new();
            let mut one = [0];
            while !bytes.ends_with(end) && stream.read(&mut one).unwrap() == 1 {
                bytes.push(one[0]);
            }
            stream.write_all(answer.as_bytes()).unwrap();
            read.push(String::from_utf8(bytes).unwrap());
        }
        read
    });
    (address, thread)
}

#[test]
fn an_http_request_is_written_as_rfc_9112_says_and_its_issue_is_timed() {
    let (address, thread) = server(b"{\"ms\": 250}", &["HTTP/1.1 204 No Content\r\n\r\n"]);
    let mut sender = sender(&format!(
        "[http]\naddress = \"http://{address}/go/{{direction}}\"\n\
         headers = {{ Accept = \"*/*\" }}\nbody = '{{\"ms\": {{ms}}}}'\n"
    ));
    let issued = ask(sender.as_mut()).unwrap();
    assert!(issued.issued_s.unwrap() > 0.0 && issued.uncertainty_s < 0.2);
    let read = thread.join().unwrap().concat();
    let head = format!("POST /go/ra+ HTTP/1.1\r\nHost: {address}\r\nAccept: */*\r\n");
    assert!(read.starts_with(&head), "{read}");
    assert!(read.contains("\r\nContent-Length: 11\r\n"), "{read}");
}

#[test]
fn an_http_refusal_and_a_hanging_server_are_told_apart() {
    let (address, thread) = server(b"\r\n\r\n", &["HTTP/1.1 503 Busy\r\n\r\n"]);
    let text = format!("[http]\nmethod = \"GET\"\naddress = \"http://{address}/?ms={{ms}}\"\n");
    let refused = ask(sender(&text).as_mut()).unwrap_err();
    assert!(
        matches!(refused, SendError::Refused { ref answer, .. } if answer.contains("503 Busy"))
    );
    thread.join().unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap();
    let text = format!("[http]\naddress = \"http://{address}/?ms={{ms}}\"\n");
    let hung = ask(sender(&text).as_mut()).unwrap_err();
    assert!(matches!(hung, SendError::TimedOut { .. }), "{hung}");
}

#[test]
fn a_port_that_nobody_listens_at_fails_and_says_what_to_check() {
    let address = TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap();
    for text in [
        format!("[http]\naddress = \"http://{address}/{{ms}}\"\n"),
        format!("[tcp]\naddress = \"{address}\"\nline = \"{{ms}}\"\n"),
        "[serial]\nport = \"no-such-port\"\nline = \"{ms}\"\n".to_owned(),
        "[program]\ncommand = \"no-such-program\"\narguments = [\"{ms}\"]\n".to_owned(),
    ] {
        let failed = ask(sender(&text).as_mut()).unwrap_err();
        assert!(matches!(failed, SendError::Failed { .. }), "{failed}");
        assert!(failed.to_string().contains("check"), "{failed}");
    }
}

#[test]
fn a_line_is_written_and_its_answer_awaited_and_a_lost_connection_made_anew() {
    // The server closes after each answer.
    let (address, thread) = server(b"\n", &["OK\n", "OK\n", "NO\n"]);
    let mut sender = sender(&format!(
        "[tcp]\naddress = \"{address}\"\nline = \"P {{direction}} {{ms}}\"\nexpect = \"OK\"\n"
    ));
    ask(sender.as_mut()).unwrap();
    std::thread::sleep(Duration::from_millis(50));
    ask(sender.as_mut()).unwrap();
    std::thread::sleep(Duration::from_millis(50));
    let refused = ask(sender.as_mut()).unwrap_err();
    assert!(matches!(refused, SendError::Refused { .. }), "{refused}");
    assert_eq!(thread.join().unwrap(), ["P ra+ 250\n"; 3]);
}

#[test]
fn a_prompt_is_filled_in() {
    let mut hand = sender("[hand]\n");
    assert_eq!(
        hand.prompt(&ASK).unwrap(),
        "send 250 ms ra+ from your own program now"
    );
    assert_eq!(ask(hand.as_mut()).unwrap().issued_s, None);
    assert_eq!(hand.wait_for_pulse_s(), Some(60.0));
}

/// Programs that every Unix has.
#[cfg(unix)]
mod programs {
    use super::*;

    fn program(script: &str) -> Box<dyn Sender + Send> {
        // The script sees the width as $0.
        sender(&format!(
            "[program]\ncommand = \"sh\"\narguments = [\"-c\", '{script}', \"{{ms}}\"]\n"
        ))
    }

    #[test]
    fn a_program_gets_its_arguments_and_its_start_is_timed() {
        let mut sender = program("test $0 = 250");
        let issued = ask(sender.as_mut()).unwrap();
        assert!(issued.issued_s.is_some() && issued.uncertainty_s > 0.0);
    }

    #[test]
    fn a_program_that_fails_is_quoted() {
        let refused = ask(program("echo no mount >&2; exit 3").as_mut()).unwrap_err();
        let text = refused.to_string();
        assert!(text.contains("no mount") && text.contains('3'), "{text}");
    }

    #[test]
    fn a_program_that_hangs_is_killed_at_the_timeout() {
        let begun = Instant::now();
        let hung = ask(program("exec sleep 60").as_mut()).unwrap_err();
        assert!(matches!(hung, SendError::TimedOut { .. }), "{hung}");
        assert!(begun.elapsed() < Duration::from_secs(10));
    }

    #[test]
    fn stopping_ends_a_program_at_once() {
        let mut sender = program("exec sleep 60");
        sender.begin(&ASK).unwrap();
        std::thread::sleep(Duration::from_millis(100));
        sender.stop();
        let begun = Instant::now();
        let result = loop {
            if let Some(result) = sender.poll() {
                break result;
            }
        };
        assert_eq!(result, Err(SendError::Stopped));
        assert!(begun.elapsed() < Duration::from_millis(300));
    }
}

#[cfg(unix)]
#[test]
fn a_program_that_hangs_is_asked_to_end_and_ends_with_all_that_it_started() {
    let folder = tempfile::tempdir().unwrap();
    let opened = folder.path().join("relay-opened");
    let left = folder.path().join("left-over");
    // It would open its relay when it is told to end; what it started would write a second later.
    let script = format!(
        "trap 'touch {}; exit 1' TERM; (sleep 1.5; touch {}) & sleep 60 & wait # {{ms}}",
        opened.display(),
        left.display()
    );
    let mut sender = sender(&format!(
        "[program]\ncommand = \"sh\"\narguments = [\"-c\", \"{script}\"]\n"
    ));
    let result = ask(sender.as_mut());
    assert!(
        matches!(result, Err(SendError::TimedOut { .. })),
        "{result:?}"
    );
    assert!(opened.exists());
    std::thread::sleep(Duration::from_millis(1700));
    assert!(!left.exists());
}
