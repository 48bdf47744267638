//! The trim in the languages of those who use it: a table, a C header, a Rust module. Each holds the
//! same knots and the same whole-number arithmetic as [`Curve::request_us`](super::Curve::request_us).

use std::fmt::Write as _;

use super::{Below, Trim};

impl Trim {
    /// CSV (RFC 4180): wanted and requested width in ms, every `step_ms` from 0 to `longest_ms`.
    pub fn to_csv(&self, step_ms: u32, longest_ms: u32) -> String {
        let mut text = String::from("wanted_ms,request_ms\r\n");
        for wanted_ms in (0..=longest_ms).step_by(step_ms.max(1) as usize) {
            let request_us = self.request_us(wanted_ms.saturating_mul(1000));
            // Writing to a String can't fail.
            let _ = write!(
                text,
                "{wanted_ms},{}.{:03}\r\n",
                request_us / 1000,
                request_us % 1000
            );
        }
        text
    }

    /// A C99 header without floating point. `about` says where the trim comes from; it stands in a
    /// comment.
    pub fn to_c(&self, about: &str) -> String {
        let knots = self.curve.knots();
        let list = |of: fn(&super::Knot) -> i32| {
            let numbers: Vec<String> = knots.iter().map(|k| of(k).to_string()).collect();
            numbers.join(", ")
        };
        let below = match self.below {
            Below::Floor => "wanted_us = TRIM_SHORTEST_US;",
            Below::Skip | Below::Carry => "return 0;",
        };
        let mut text = format!(
            "/* {}\n * Widths in microseconds. Made by pulsewright {}; make it anew rather than edit it. */\n\
             #ifndef PULSE_TRIM_H\n#define PULSE_TRIM_H\n\n#include <stdint.h>\n\n\
             #define TRIM_KNOTS {}\n#define TRIM_SHORTEST_US {}u\n\n\
             static const int32_t trim_wanted_us[TRIM_KNOTS] = {{ {} }};\n\
             static const int32_t trim_request_us[TRIM_KNOTS] = {{ {} }};\n\n",
            about.replace("*/", "* /").replace('\n', " "),
            env!("CARGO_PKG_VERSION"),
            knots.len(),
            self.shortest_us,
            list(|k| k.wanted_us),
            list(|k| k.request_us),
        );
        let _ = write!(
            text,
            "/* The width to request for a wanted one; 0: send nothing. */\n\
             static inline uint32_t trim_request(uint32_t wanted_us)\n{{\n\
             \x20   int i = 0;\n    int64_t run, rise, up, step;\n\n\
             \x20   if (wanted_us == 0)\n        return 0;\n\
             \x20   if (wanted_us < TRIM_SHORTEST_US)\n        {below}\n\
             \x20   while (i < TRIM_KNOTS - 2 && (int64_t)wanted_us >= trim_wanted_us[i + 1])\n        i++;\n\
             \x20   run = (int64_t)trim_wanted_us[i + 1] - trim_wanted_us[i];\n\
             \x20   rise = (int64_t)trim_request_us[i + 1] - trim_request_us[i];\n\
             \x20   /* To the nearest: half a step more, and a division that rounds down. */\n\
             \x20   up = 2 * ((int64_t)wanted_us - trim_wanted_us[i]) * rise + run;\n\
             \x20   step = up / (2 * run);\n\
             \x20   if (up % (2 * run) < 0)\n        step--;\n\
             \x20   step += trim_request_us[i];\n\
             \x20   if (step < 0)\n        return 0;\n\
             \x20   return step > (int64_t)UINT32_MAX ? UINT32_MAX : (uint32_t)step;\n}}\n"
        );
        if self.below == Below::Carry {
            text += "\n/* With what is owed on one axis in *owed_us (0 at first): adds a signed correction and gives\n\
                     \x20* the width to request now. *sent_us is the wanted width that it stands for, with its sign;\n\
                     \x20* 0 where nothing is to be sent and the correction is carried to the next. */\n\
                     static inline uint32_t trim_carry(int64_t *owed_us, int32_t wanted_us, int64_t *sent_us)\n{\n\
                     \x20   int64_t total = *owed_us + wanted_us;\n\
                     \x20   int64_t size = total < 0 ? -total : total;\n\n\
                     \x20   if (size < (int64_t)TRIM_SHORTEST_US) {\n        *owed_us = total;\n        *sent_us = 0;\n        return 0;\n    }\n\
                     \x20   *owed_us = 0;\n    *sent_us = total;\n\
                     \x20   return trim_request(size > (int64_t)UINT32_MAX ? UINT32_MAX : (uint32_t)size);\n}\n";
        }
        text + "\n#endif\n"
    }

    /// A Rust module without floating point or the standard library. `about` says where the trim comes
    /// from; it stands in a comment.
    pub fn to_rust(&self, about: &str) -> String {
        let mut knots = String::new();
        for knot in self.curve.knots() {
            let _ = writeln!(knots, "    ({}, {}),", knot.wanted_us, knot.request_us);
        }
        let below = match self.below {
            Below::Floor => "SHORTEST_US",
            Below::Skip | Below::Carry => "return 0",
        };
        let mut text = format!(
            "//! {}\n//!\n//! Widths in microseconds. Made by pulsewright {}; make it anew rather than edit it.\n\n\
             /// Wanted and requested width at the knots.\n\
             pub const KNOTS: [(i32, i32); {}] = [\n{knots}];\n\n\
             /// Wanted widths shorter than this are not delivered as such.\n\
             pub const SHORTEST_US: u32 = {};\n\n",
            about.replace('\n', " "),
            env!("CARGO_PKG_VERSION"),
            self.curve.knots().len(),
            self.shortest_us,
        );
        let _ = write!(
            text,
            "/// The width to request for a wanted one; 0: send nothing.\n\
             pub fn request_us(wanted_us: u32) -> u32 {{\n\
             \x20   if wanted_us == 0 {{\n        return 0;\n    }}\n\
             \x20   let wanted_us = if wanted_us < SHORTEST_US {{ {below} }} else {{ wanted_us }};\n\
             \x20   let wanted = wanted_us as i64;\n\
             \x20   let mut i = 0;\n\
             \x20   while i < KNOTS.len() - 2 && wanted >= KNOTS[i + 1].0 as i64 {{\n        i += 1;\n    }}\n\
             \x20   let (a, b) = (KNOTS[i], KNOTS[i + 1]);\n\
             \x20   let run = b.0 as i64 - a.0 as i64;\n\
             \x20   let rise = b.1 as i64 - a.1 as i64;\n\
             \x20   // To the nearest: half a step more, and a division that rounds down.\n\
             \x20   let step = (2 * (wanted - a.0 as i64) * rise + run).div_euclid(2 * run);\n\
             \x20   (a.1 as i64 + step).clamp(0, u32::MAX as i64) as u32\n}}\n"
        );
        if self.below == Below::Carry {
            text += "\n/// With what is owed on one axis (0 at first): adds a signed correction and gives the wanted width\n\
                     /// that is to be sent now, with its sign, and the width to request for it; zeros where the\n\
                     /// correction is carried to the next.\n\
                     pub fn carry(owed_us: &mut i64, wanted_us: i32) -> (i64, u32) {\n\
                     \x20   let total = *owed_us + wanted_us as i64;\n\
                     \x20   let size = total.unsigned_abs().min(u32::MAX as u64) as u32;\n\
                     \x20   if size < SHORTEST_US {\n        *owed_us = total;\n        return (0, 0);\n    }\n\
                     \x20   *owed_us = 0;\n    (total, request_us(size))\n}\n";
        }
        text
    }
}
