//! A star as it would look in the image, with its width at half maximum drawn around it.

use maud::{Markup, html};

use super::Hue;
use super::mark::Ground;
use super::path::round;

/// Radius of the drawn image, in widths at half maximum: there a Gaussian has fallen to 0.9 % of its
/// peak.
const REACH: f64 = 1.3;

/// Steps of the gradient: more of them than the eye can tell apart.
const STEPS: usize = 12;

/// The name of the gradient that all stars of a figure share.
pub const GRADIENT: &str = "star";

/// The brightness of a Gaussian from its centre outwards, as stops: it follows exp(-4 ln 2 r²), with r
/// in widths at half maximum.
pub fn gradient(ids: &str) -> Markup {
    html! {
        radialGradient id={ (ids) "-" (GRADIENT) } {
            @for i in 0..=STEPS {
                @let share = i as f64 / STEPS as f64;
                @let r = share * REACH;
                // It ends at nothing, so that no edge is seen.
                @let light = if i == STEPS { 0.0 } else { libm::exp(-4.0 * core::f64::consts::LN_2 * r * r) };
                stop class="starlight" offset=(round(100.0 * share) / 100.0)
                    stop-opacity=((light * 1000.0).round() / 1000.0) {}
            }
        }
    }
}

/// The star, and its reading for the script.
pub fn draw(at: [f64; 2], fwhm: [f64; 2], hue: Hue, ground: &Ground<'_>) -> (Markup, String) {
    let nothing = (html! {}, String::new());
    let (Some(x), Some(y)) = (ground.x.place(at[0]), ground.y.place(at[1])) else {
        return nothing;
    };
    let lengths = [&ground.x, &ground.y].map(|axis| axis.unit_length());
    let wide = [fwhm[0] * lengths[0], fwhm[1] * lengths[1]];
    // Beyond that size, a star is no longer seen as one.
    if !wide.iter().all(|w| *w > 0.0 && *w < 1e4) {
        return nothing;
    }
    let (x, y) = (round(x), round(y));
    let markup = html! {
        ellipse class="starlight" cx=(x) cy=(y) rx=(round(REACH * wide[0])) ry=(round(REACH * wide[1]))
            fill={ "url(#" (ground.ids) "-" (GRADIENT) ")" } {}
        // On the grey of half the peak most hues are lost without a dark line below them.
        @for (class, width) in [("dusk", 4.4), ("line half", 1.8)] {
            ellipse class=(class) cx=(x) cy=(y) rx=(round(0.5 * wide[0])) ry=(round(0.5 * wide[1]))
                stroke-width=(width) stroke-dasharray=[hue.dash(false)] {}
        }
    };
    let [a, b] = fwhm.map(chain::significant);
    let unit = ground.x.axis.unit;
    (
        markup,
        format!("{x} {y} width at half maximum {a} by {b} {unit};"),
    )
}
