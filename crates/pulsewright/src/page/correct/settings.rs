//! Taking settings into the setup: first shown, then written.

use axum::response::{IntoResponse, Redirect, Response};
use maud::{Markup, html};
use sky::Setup;

use super::play::{settable, with_settings};
use crate::page::chosen;
use crate::page::form::Asked;
use crate::page::layout::{self, Seen, Spot};
use crate::page::{Problem, aside};
use crate::section::{Column, cell, table};
use crate::text::sentence;

/// The values that make up the settings of a loop, as they are typed.
fn values(setup: &Setup) -> impl Iterator<Item = (String, String)> {
    setup.typed().into_iter().filter(|(name, _)| settable(name))
}

/// A button that leads to taking settings into the setup. `stamp` is that of the setup they were made
/// from: where the file has changed since, nothing is written.
pub fn offer(settings: &Setup, stamp: &str, words: &str) -> Markup {
    form(settings, stamp, false, words)
}

fn form(settings: &Setup, stamp: &str, sure: bool, words: &str) -> Markup {
    html! {
        form method="post" action="/correct/settings" {
            @for (name, value) in values(settings) { input type="hidden" name=(name) value=(value); }
            input type="hidden" name="stamp" value=(stamp);
            @if sure { input type="hidden" name="sure" value="yes"; }
            button { (words) }
        }
    }
}

/// Shows what would change; writes it where that was agreed to.
pub async fn take(seen: Seen, asked: Asked) -> Result<Response, Problem> {
    let app = seen.app.clone();
    let missing = || {
        Problem::missing("There is no setup to take the settings into.")
            .with_way_out("/setup", "Fill in the setup")
    };
    let known = chosen::setup(&app).await?.ok_or_else(missing)?;
    if asked.text("stamp") != Some(known.stamp.as_str()) {
        return Err(Problem::bad(
            "The setup has changed since these settings were found; nothing was written. Look again with the new setup.",
        )
        .with_way_out("/correct", "Look again"));
    }
    let present = known.reading.setup;
    let new = with_settings(&present, &asked)?;
    if asked.text("sure") == Some("yes") {
        let file = app.setup.clone();
        aside(move || Ok(crate::write::write(&file, new.to_toml().as_bytes())?)).await?;
        return Ok(Redirect::to("/setup").into_response());
    }
    let changed: Vec<Vec<Markup>> = present
        .typed()
        .into_iter()
        .zip(new.typed())
        .filter(|(old, new)| old != new)
        .map(|((name, old), (_, new))| vec![cell(label(&name)), cell(old), cell(new)])
        .collect();
    let file = app.setup.display();
    let body = html! {
        h1 { "Take these settings into the setup" }
        @if changed.is_empty() {
            p.answer { "Nothing would change: the setup has these settings already." }
        } @else {
            p.answer {
                (sentence(&chain::plural(changed.len() as u64, "value"))) " of " code { (file) } " would change."
            }
            (table(
                "What would change",
                &[Column::Words("setting"), Column::Numbers("now"), Column::Numbers("then")],
                &changed,
            ))
            p { "The file is written anew in its usual form: comments of your own in it are lost." }
            (form(&new, &known.stamp, true, "Write the setup"))
            details {
                summary { "The whole file" }
                pre { (new.to_toml()) }
            }
        }
        p { a href="/correct" { "Leave the setup as it is" } }
    };
    Ok(layout::page(
        &seen,
        Spot::Correct,
        "Take the settings",
        &body,
    ))
}

/// What a value is called, with its unit.
fn label(name: &str) -> String {
    let field = sky::fields().iter().find(|field| field.name() == name);
    field.map_or_else(
        || name.to_owned(),
        |field| match field.unit {
            "" => field.label(),
            unit => format!("{}, {unit}", field.label()),
        },
    )
}
