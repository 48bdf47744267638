//! `serve`: the lab book in a browser.

use std::net::{IpAddr, Ipv4Addr, SocketAddr, UdpSocket};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use crate::cli::{Global, ServeArgs};
use crate::error::Error;
use crate::output::Output;
use crate::page::{self, App, Gate, Jobs, Listening, Live, Token};
use crate::{json, library, live_run};

/// How often it is looked whether the server shall end.
const LOOK: Duration = Duration::from_millis(50);

/// Runs the command: serves until Ctrl-C.
///
/// # Errors
/// [`Error::Usage`] where the port can't be had; what [`page::serve`] says.
pub fn run(args: &ServeArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let book = library::path(global)?;
    let live = match args.live {
        true => match live(args, global, output)? {
            Some(live) => Some(live),
            None => {
                return output.print(
                    "Nothing was started; leave --live out to look at the lab book alone.\n",
                );
            }
        },
        false => None,
    };
    let stop = super::record::stop_on_interrupt()?;
    let listening = Listening::at(args.listen)?;
    let address = listening.address;
    let guarded = !address.ip().is_loopback();
    let (secret, token) = match guarded.then(|| Token::new(address.port())).transpose()? {
        Some((secret, token)) => (Some(secret), Some(token)),
        None => (None, None),
    };
    let app = App {
        book,
        setup: args.setup.clone(),
        seed: global.seed,
        jobs: Jobs::default(),
        live,
        gate: Gate::new(address, &args.names, token),
    };
    announce(address, secret.as_deref(), output)?;
    let app = Arc::new(app);
    if app.live.is_some() {
        let app = app.clone();
        // The pulses end at once, while the server still says goodbye.
        std::thread::spawn(move || {
            while !stop.load(Ordering::SeqCst) {
                std::thread::sleep(LOOK);
            }
            if let Some(live) = &app.live {
                live.stop();
            }
        });
    }
    let served = page::serve(app.clone(), listening, stop);
    if let Some(text) = app.live.as_ref().and_then(Live::end) {
        output.note(&text);
    }
    served
}

/// The live run that the server is started for; `None` where the user does not agree that the mount may
/// move.
fn live(args: &ServeArgs, global: &Global, output: &Output) -> Result<Option<Live>, Error> {
    let order = live_run::ordered(&args.plan, &args.chain, &args.inputs, output)?;
    if !args.output.is_dir() {
        return Err(Error::Usage(format!(
            "{}: found no such folder, expected one to keep records in; make it, or name another with -o",
            args.output.display()
        )));
    }
    // A book that can't be opened is told before anything moves.
    library::open_or_create(global)?;
    if !order.is_agreed(args.yes, output)? {
        return Ok(None);
    }
    Ok(Some(Live::new(
        order,
        args.chain.clone(),
        args.rig.clone(),
        args.inputs.clone(),
        args.output.clone(),
        Output::new(global),
    )))
}

/// Says where the page is, and who can read what passes.
fn announce(address: SocketAddr, token: Option<&str>, output: &Output) -> Result<(), Error> {
    let origin = format!(
        "http://{}",
        SocketAddr::new(reachable(address.ip()), address.port())
    );
    let open = match token {
        Some(token) => format!("{origin}/?token={token}"),
        None => format!("{origin}/"),
    };
    if output.json() {
        return output.print_json(&json::ServeDocument {
            schema_version: json::SCHEMA_VERSION,
            kind: "serve",
            address: &open,
            listens_on: address.to_string(),
            token,
            encrypted: false,
        });
    }
    if output.quiet() {
        return output.print(&format!("{open}\n"));
    }
    output.note(&format!("The lab book is at {open} ; Ctrl-C ends it."));
    if token.is_some() {
        output.note(
            "The address holds a token that lets in whoever has it; it is shown this once, and a new start makes a new one.\nThe traffic is not encrypted: others on this network can read it, the token too. Where you don't trust the network, listen on 127.0.0.1 and come through an encrypted tunnel.",
        );
    }
    Ok(())
}

/// An address to call the server by, where it listens on all that this computer has.
fn reachable(ip: IpAddr) -> IpAddr {
    if !ip.is_unspecified() {
        return ip;
    }
    // Which of its addresses a computer would use outwards; a UDP socket that is connected sends
    // nothing. The other end is an address kept for documentation (RFC 5737).
    let outwards = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).and_then(|socket| {
        socket.connect((Ipv4Addr::new(192, 0, 2, 1), 9))?;
        socket.local_addr()
    });
    outwards.map_or(IpAddr::V4(Ipv4Addr::LOCALHOST), |own| own.ip())
}
