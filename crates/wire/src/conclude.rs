//! From the wires of a capture to the capture: which channels count, and what is said of them.

use crate::capture::{Capture, Channel, Pulse, StateLevels, Warning};
use crate::direction::Direction;
use crate::error::WireError;
use crate::format::Format;
use crate::pulse_list::{MAX_PULSES, PulseList};
use crate::resolution::{self, Resolution};
use crate::settings::{ChannelMap, Coupling, Settings};
use crate::time::TickLength;
use crate::track::{Limits, Track};

/// Names in a message; the rest is counted.
const MOST_NAMES: usize = 20;

/// A channel that was read.
pub(crate) struct Source {
    pub(crate) name: String,
    pub(crate) direction: Option<Direction>,
    pub(crate) track: Track,
    pub(crate) levels: Option<StateLevels>,
}

/// A capture whose channels have still to be chosen.
pub(crate) struct Draft {
    pub(crate) format: Format,
    pub(crate) tick: TickLength,
    /// The resolution, where it isn't that of the edges.
    pub(crate) resolution_s: Option<f64>,
    pub(crate) begin: i64,
    pub(crate) end: i64,
    pub(crate) sources: Vec<Source>,
    pub(crate) coupling: Option<Coupling>,
    pub(crate) notes: Vec<String>,
    pub(crate) warnings: Vec<Warning>,
    pub(crate) bytes: u64,
}

/// The durations of `settings` in ticks.
pub(crate) fn limits(settings: &Settings, tick: TickLength) -> Limits {
    Limits {
        bridge: tick.at_least(settings.bridge_s),
        min_pulse: tick.at_least(settings.min_pulse_s),
    }
}

/// Which of the channels `names` are wanted, each with its direction: in automatic mode all. The
/// name of a channel is the whole one or what follows a dot in it.
pub(crate) fn choose<'n>(
    map: &ChannelMap,
    names: impl Iterator<Item = (usize, &'n str)> + Clone,
) -> Result<Vec<(usize, Option<Direction>)>, WireError> {
    match map {
        ChannelMap::Automatic => {
            let mut all: Vec<usize> = names.map(|(index, _)| index).collect();
            all.sort_unstable();
            all.dedup();
            Ok(all.into_iter().map(|index| (index, None)).collect())
        }
        ChannelMap::Single(name) => Ok(vec![(find(name, names)?, None)]),
        ChannelMap::Mapped(map) => {
            let mut chosen: Vec<(usize, Option<Direction>)> = Vec::new();
            for (direction, name) in map {
                let index = find(name, names.clone())?;
                if chosen
                    .iter()
                    .any(|(i, d)| *i == index || *d == Some(*direction))
                {
                    return Err(WireError::setting(
                        "map",
                        format!("{direction}={name}"),
                        "each direction and each channel once",
                    ));
                }
                chosen.push((index, Some(*direction)));
            }
            if chosen.is_empty() {
                return Err(WireError::setting("map", "", "at least one channel"));
            }
            Ok(chosen)
        }
    }
}

/// Whether `name`, as given by a user, may mean the channel `whole`.
pub(crate) fn means(name: &str, whole: &str) -> bool {
    whole == name
        || whole
            .strip_suffix(name)
            .is_some_and(|scopes| scopes.ends_with('.'))
}

fn find<'n>(
    name: &str,
    names: impl Iterator<Item = (usize, &'n str)> + Clone,
) -> Result<usize, WireError> {
    if let Some((index, _)) = names.clone().find(|(_, whole)| *whole == name) {
        return Ok(index);
    }
    let mut candidates = names.clone().filter(|(_, whole)| means(name, whole));
    let Some((index, _)) = candidates.next() else {
        return Err(WireError::NoSuchChannel {
            name: crate::error::shown(name),
            known: list(names.map(|(_, whole)| whole.to_owned())),
        });
    };
    // Two names of one wire are no ambiguity.
    if candidates.any(|(other, _)| other != index) {
        return Err(WireError::AmbiguousChannel {
            name: crate::error::shown(name),
            candidates: list(
                names
                    .filter(|(_, whole)| means(name, whole))
                    .map(|(_, whole)| whole.to_owned()),
            ),
        });
    }
    Ok(index)
}

/// Names with commas between, at most [`MOST_NAMES`].
pub(crate) fn list(names: impl Iterator<Item = String>) -> String {
    let mut names = names.peekable();
    if names.peek().is_none() {
        return "none".to_owned();
    }
    let mut shown: Vec<String> = names.by_ref().take(MOST_NAMES).collect();
    match names.count() {
        0 => {}
        more => shown.push(format!("and {more} more")),
    }
    shown.join(", ")
}

/// Keeps the memory of all wires within bounds; called for each window of the input. `place` says
/// where the input stands.
pub(crate) fn review<'t>(
    tracks: impl Iterator<Item = &'t mut Track>,
    place: impl FnOnce() -> String,
) -> Result<(), WireError> {
    let pulses: u64 = tracks.map(Track::review).sum();
    if pulses > MAX_PULSES {
        return Err(WireError::TooManyPulses {
            place: place(),
            limit: MAX_PULSES,
        });
    }
    Ok(())
}

impl Draft {
    /// The draft of a capture of edges, which has neither levels nor a coupling: `span` is its first and last
    /// instant in ticks, `wires` the name, direction and track of each channel.
    pub(crate) fn of_edges(
        format: Format,
        tick: TickLength,
        span: [i64; 2],
        wires: impl IntoIterator<Item = (String, Option<Direction>, Track)>,
        warnings: Vec<Warning>,
        bytes: u64,
    ) -> Draft {
        let [begin, end] = span;
        let source = |(name, direction, track)| Source {
            name,
            direction,
            track,
            levels: None,
        };
        Draft {
            format,
            tick,
            resolution_s: None,
            begin,
            end,
            sources: wires.into_iter().map(source).collect(),
            coupling: None,
            notes: Vec::new(),
            warnings,
            bytes,
        }
    }

    /// Chooses the channels and puts the capture together.
    pub(crate) fn conclude(mut self, settings: &Settings) -> Result<Capture, WireError> {
        self.choose_automatically(settings)?;
        let mut channels = Vec::new();
        let mut parts: Vec<PulseList> = Vec::new();
        let mut cut = Vec::new();
        let (mut bounces, mut dropped_short) = (0, 0);
        let mut resolution = Resolution::default();
        let first = self.sources.iter().find_map(|s| s.track.first_edge());
        for source in self.sources {
            let edges = source.track.edges;
            if let (Some(first), Some(own)) = (first, source.track.first_edge()) {
                resolution.add(own.abs_diff(first));
                resolution.add(source.track.resolution.divisor());
            }
            let outcome = source.track.finish(self.end)?;
            let pulses = outcome.shaper.pulses.len() as u64;
            if edges == 0 {
                self.notes
                    .push(format!("Channel {} never changes.", source.name));
            } else if settings.idle.is_none() {
                self.notes.push(format!(
                    "The idle level of channel {} is {}, held for {:.1} % of the time.",
                    source.name,
                    outcome.idle,
                    100.0 * outcome.held
                ));
                // Between pulses a guide port rests; a level that is held for little more than
                // half of the time may well be the active one.
                if outcome.held < 0.6 {
                    self.warnings.push(Warning::new(
                        format!(
                            "channel {} is {} for only {:.0} % of the time, so which level is the idle one is a guess",
                            source.name,
                            outcome.idle,
                            100.0 * outcome.held
                        ),
                        "give the idle level",
                    ));
                }
            }
            if edges > 0 && pulses == 0 {
                self.warnings.push(Warning::new(
                    format!(
                        "channel {} has no whole pulse: {edges} edges, {} pulses cut by an end of the capture, {} dropped for being too short",
                        source.name,
                        outcome.shaper.cut.len(),
                        outcome.shaper.dropped_short
                    ),
                    "capture for longer, or lower the least pulse width",
                ));
            }
            channels.push(Channel {
                name: source.name,
                direction: source.direction,
                idle: outcome.idle,
                edges,
                pulses,
                levels: source.levels,
            });
            bounces += outcome.shaper.bounces;
            dropped_short += outcome.shaper.dropped_short;
            cut.extend(outcome.shaper.cut.into_iter().map(|pulse| Pulse {
                direction: source.direction,
                ..pulse
            }));
            let mut pulses = outcome.shaper.pulses;
            pulses.set_direction(source.direction);
            parts.push(pulses);
        }
        cut.sort_by_key(|pulse: &Pulse| pulse.start);
        let pulses = merge(parts);
        let step = resolution::trusted(
            resolution.divisor(),
            pulses.iter().map(|pulse| pulse.end - pulse.start),
        );
        Ok(Capture {
            format: self.format,
            tick: self.tick,
            resolution_s: self.resolution_s.unwrap_or_else(|| self.tick.seconds(step)),
            begin: self.begin,
            end: self.end,
            channels,
            pulses,
            cut,
            bounces,
            dropped_short,
            coupling: self.coupling,
            notes: self.notes,
            warnings: self.warnings,
            measured: None,
            bytes: self.bytes,
        })
    }

    fn choose_automatically(&mut self, settings: &Settings) -> Result<(), WireError> {
        let listed = |sources: &[Source]| {
            list(sources.iter().map(|source| {
                let edges = source.track.edges;
                format!("{} with {edges} edges", source.name)
            }))
        };
        let toggling = self.sources.iter().filter(|s| s.track.edges > 0).count();
        if toggling == 0 {
            return Err(WireError::NoEdges {
                channels: listed(&self.sources),
                advice: match settings.channels {
                    ChannelMap::Automatic => "check the wiring and that pulses were sent",
                    _ => "choose another channel, or check the wiring and that pulses were sent",
                }
                .to_owned(),
            });
        }
        if settings.channels != ChannelMap::Automatic {
            return Ok(());
        }
        let all = self.sources.len();
        let everything = listed(&self.sources);
        self.sources.retain(|source| source.track.edges > 0);
        match self.sources.as_mut_slice() {
            [only] => {
                only.direction = only.name.parse().ok();
                if all > 1 {
                    self.notes.push(format!(
                        "Channel {} is the only one of {all} that toggles.",
                        only.name
                    ));
                }
                Ok(())
            }
            several => {
                for source in several.iter_mut() {
                    source.direction = source.name.parse().ok();
                }
                let mut directions: Vec<_> = several.iter().filter_map(|s| s.direction).collect();
                directions.sort_unstable();
                directions.dedup();
                if directions.len() < several.len() {
                    return Err(WireError::ChooseChannel {
                        toggling,
                        channels: everything,
                    });
                }
                self.notes
                    .push("Channels are mapped to directions by their names.".to_owned());
                Ok(())
            }
        }
    }
}

/// Lists in order of start to one list in order of start.
fn merge(mut parts: Vec<PulseList>) -> PulseList {
    if parts.len() == 1 {
        return parts.swap_remove(0);
    }
    let mut heads: Vec<_> = parts.iter().map(|part| part.iter().peekable()).collect();
    let mut merged = PulseList::new();
    loop {
        let next = heads
            .iter_mut()
            .filter_map(|head| head.peek().map(|pulse| pulse.start))
            .min();
        let Some(start) = next else {
            return merged;
        };
        for head in &mut heads {
            if let Some(pulse) = head.next_if(|pulse| pulse.start == start) {
                merged.push(pulse);
            }
        }
    }
}
