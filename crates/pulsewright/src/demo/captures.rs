//! The four instruments of the scenario: each writes what it saw of the lines in its own format.

use std::fmt::Write as _;

use stats::random::Random;
use wire::Direction;

use super::Closed;

/// Writes a capture of the lines up to `end_s`.
pub type Write = fn(&[Closed], f64, &mut Random) -> Vec<u8>;

/// An edge: when, on which line (0 or 1), and whether the contact is closed after it.
type Edge = (f64, usize, bool);

fn line_of(direction: Direction) -> usize {
    usize::from(direction == Direction::RaMinus)
}

/// All edges in time.
fn edges(closed: &[Closed]) -> Vec<Edge> {
    let mut edges: Vec<Edge> = closed
        .iter()
        .flat_map(|c| {
            let line = line_of(c.direction);
            [(c.from_s, line, true), (c.to_s, line, false)]
        })
        .collect();
    edges.sort_by(|a, b| a.0.total_cmp(&b.0));
    edges
}

/// A logic capture with pull-ups, so a closed contact reads 0; 1 MHz, two lines and an unused third.
pub fn vcd(closed: &[Closed], end_s: f64, _: &mut Random) -> Vec<u8> {
    let mut text = String::from(
        "$comment invented for a demo $end\n$timescale 1 us $end\n$scope module port $end\n\
         $var wire 1 ! D0 $end\n$var wire 1 \" D1 $end\n$var wire 1 # D2 $end\n\
         $upscope $end\n$enddefinitions $end\n#0\n$dumpvars\n1!\n1\"\n1#\n$end\n",
    );
    for (time_s, line, is_closed) in edges(closed) {
        let code = ['!', '"'][line];
        // Writing to a String can't fail.
        let _ = writeln!(text, "#{:.0}\n{}{code}", time_s * 1e6, u8::from(!is_closed));
    }
    let _ = writeln!(text, "#{:.0}", end_s * 1e6);
    text.into_bytes()
}

/// A table of edges with the clock that the requests were sent by.
pub fn edges_csv(closed: &[Closed], end_s: f64, _: &mut Random) -> Vec<u8> {
    let mut text = String::from("t_s,channel,level\r\n0.000000,GP5,0\r\n0.000000,GP6,0\r\n");
    for (time_s, line, is_closed) in edges(closed) {
        let name = ["GP5", "GP6"][line];
        let _ = write!(text, "{time_s:.6},{name},{}\r\n", u8::from(is_closed));
    }
    for name in ["GP5", "GP6"] {
        let _ = write!(text, "{end_s:.6},{name},0\r\n");
    }
    text.into_bytes()
}

/// Voltage of each line at `rate` samples a second: `closed_v` while its contact is closed, `open_v`
/// else, smoothed by a time constant.
struct Waveform {
    edges: Vec<Edge>,
    next: usize,
    is_closed: [bool; 2],
    volts: [f64; 2],
    levels: [f64; 2],
    share: f64,
    step_s: f64,
}

impl Waveform {
    fn new(closed: &[Closed], rate: f64, levels: [f64; 2], constant_s: f64) -> Waveform {
        Waveform {
            edges: edges(closed),
            next: 0,
            is_closed: [false; 2],
            volts: [levels[0]; 2],
            levels,
            share: 1.0 - libm::exp(-1.0 / (rate * constant_s)),
            step_s: 1.0 / rate,
        }
    }

    /// The voltages at sample `index`. An edge between two samples acts in part on the later.
    fn sample(&mut self, index: usize) -> [f64; 2] {
        let now_s = index as f64 * self.step_s;
        let mut part = [0.0; 2];
        while let Some(&(time_s, line, is_closed)) = self.edges.get(self.next) {
            if time_s > now_s {
                break;
            }
            self.is_closed[line] = is_closed;
            part[line] = (now_s - time_s) / self.step_s;
            self.next += 1;
        }
        for ((volts, is_closed), part) in self.volts.iter_mut().zip(self.is_closed).zip(part) {
            let target = self.levels[usize::from(is_closed)];
            let acts = if part > 0.0 { part.min(1.0) } else { 1.0 };
            *volts += (target - *volts) * self.share * acts;
        }
        self.volts
    }
}

/// Samples a second of the recording.
const WAV_RATE: u32 = 16_000;
/// Corner of the sound card's input capacitor, Hz.
const WAV_CORNER_HZ: f64 = 12.0;

/// A stereo recording on a sound card, whose input lets no direct voltage through.
pub fn wav(closed: &[Closed], end_s: f64, random: &mut Random) -> Vec<u8> {
    let rate = f64::from(WAV_RATE);
    let samples = (end_s * rate) as usize;
    let data = (samples * 4) as u32;
    let mut bytes = Vec::with_capacity(44 + data as usize);
    bytes.extend_from_slice(b"RIFF");
    bytes.extend_from_slice(&(36 + data).to_le_bytes());
    bytes.extend_from_slice(b"WAVEfmt ");
    bytes.extend_from_slice(&16u32.to_le_bytes());
    // PCM, two channels, 16 bits.
    bytes.extend_from_slice(&1u16.to_le_bytes());
    bytes.extend_from_slice(&2u16.to_le_bytes());
    bytes.extend_from_slice(&WAV_RATE.to_le_bytes());
    bytes.extend_from_slice(&(WAV_RATE * 4).to_le_bytes());
    bytes.extend_from_slice(&4u16.to_le_bytes());
    bytes.extend_from_slice(&16u16.to_le_bytes());
    bytes.extend_from_slice(b"data");
    bytes.extend_from_slice(&data.to_le_bytes());
    let mut wave = Waveform::new(closed, rate, [0.0, 0.6], 1e-4);
    let keep = libm::exp(-std::f64::consts::TAU * WAV_CORNER_HZ / rate);
    let (mut before, mut out) = ([0.0; 2], [0.0; 2]);
    for index in 0..samples {
        for ((volts, before), out) in wave
            .sample(index)
            .into_iter()
            .zip(&mut before)
            .zip(&mut out)
        {
            *out = keep * (*out + volts - *before);
            *before = volts;
            let noisy = *out + 0.002 * random.normal();
            let value = (noisy.clamp(-1.0, 1.0) * 32767.0).round() as i16;
            bytes.extend_from_slice(&value.to_le_bytes());
        }
    }
    bytes
}

/// Samples a second of the oscilloscope.
const SCOPE_RATE: f64 = 2000.0;

/// Two voltages as an oscilloscope with a European locale writes them: some header lines, semicolons,
/// decimal commas. The line is pulled up to 4.9 V and falls to 0.3 V through a slow cable.
pub fn samples_csv(closed: &[Closed], end_s: f64, random: &mut Random) -> Vec<u8> {
    let mut text = String::from(
        "Record;invented for a demo\r\nSample interval;0,0005\r\nTime;CH1;CH2\r\ns;V;V\r\n",
    );
    let mut wave = Waveform::new(closed, SCOPE_RATE, [4.9, 0.3], 1e-3);
    for index in 0..(end_s * SCOPE_RATE) as usize {
        let volts = wave.sample(index).map(|v| v + 0.02 * random.normal());
        let row = format!(
            "{:.4};{:.2};{:.2}\r\n",
            index as f64 / SCOPE_RATE,
            volts[0],
            volts[1]
        );
        text += &row.replace('.', ",");
    }
    text.into_bytes()
}
