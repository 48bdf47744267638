//! `demo`: the whole job on an invented scenario.

use book::Book;
use chain::{Below, Loss};

use crate::cli::{DemoArgs, Global};
use crate::cmd::{compare, read};
use crate::error::Error;
use crate::output::Output;
use crate::{demo, json, library, reading, text};

/// Runs the command. The demo keeps a lab book of its own, so that invented runs never mix with real
/// ones, whatever `--book` says.
///
/// # Errors
/// What the folder, the readers and the book say.
pub fn run(args: &DemoArgs, global: &Global, output: &Output) -> Result<(), Error> {
    let folder = &args.folder;
    demo::prepare(folder)?;
    output.note(&format!(
        "Making captures of four invented chains in {} ...",
        folder.display()
    ));
    let chains = demo::write(folder, global.seed)?;
    let book_path = folder.join(demo::BOOK);
    let mut book = Book::open_or_create(&book_path)?;
    let mut numbers = Vec::new();
    let mut answers = Vec::new();
    for chain in &chains {
        let (number, answer) = keep(&mut book, chain, output)?;
        numbers.push(number);
        answers.push((chain.name, answer));
    }
    let comparison = compare::compare(&book, &numbers)?;

    let before = book.observations(book.newest_run_of(demo::TO_TRIM)?)?;
    let shortest = Some(demo::SHORTEST_US);
    let trim = chain::fit_trim(&before, Loss::Median, Below::Skip, shortest, global.seed)?;
    let trimmed = demo::write_trimmed(folder, global.seed, &trim)?;
    let (number, _) = keep(&mut book, &trimmed, output)?;
    let after = book.observations(number)?;
    let proof = chain::prove(
        (demo::TO_TRIM, &before),
        (trimmed.name, &after),
        demo::MARGIN_MS,
    )?;
    if output.json() {
        let files = chains
            .iter()
            .chain([&trimmed])
            .flat_map(|c| [&c.capture, &c.requests])
            .map(|path| path.display().to_string())
            .collect();
        let files = json::DemoFiles {
            book: book_path.display().to_string(),
            files,
        };
        return output.print_json(&json::of_comparison(&numbers, &comparison, Some(files)));
    }
    if output.quiet() {
        return output.print(&format!("{}\n", comparison.answer));
    }
    let mut page = text::comparison::page(&comparison);
    page += &text::demo::page(&answers, &chains, &trim, &proof, &book_path);
    output.print(&page)
}

/// Reads a chain's capture as a user's would be read, and stores the run.
fn keep(book: &mut Book, chain: &demo::DemoChain, output: &Output) -> Result<(i64, String), Error> {
    let reading = reading::read(
        std::slice::from_ref(&chain.capture),
        std::slice::from_ref(&chain.requests),
        &chain.settings,
        output.shows_progress(),
    )?;
    let number = read::store(
        book,
        chain.name,
        &chain.notes,
        &library::now(),
        &chain.settings,
        &reading,
    )?;
    Ok((number, reading.summary.answer))
}
