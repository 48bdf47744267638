//! The order of the requests and their pauses.

use super::{Direction, Plan, Random};
use sky::Axis;

/// One request of a schedule.
#[derive(Clone, Copy, PartialEq, Debug, serde::Serialize, serde::Deserialize)]
pub struct Planned {
    /// The round, from 0.
    pub round: u32,
    /// Direction.
    pub direction: Direction,
    /// Requested width in ms.
    pub width_ms: f64,
    /// Pause before it, from the end of the request before, in s.
    pub pause_s: f64,
}

/// All requests of a plan in their order. The same plan gives the same schedule on every machine.
///
/// ```
/// let plan = rig::plan::Plan::default();
/// let schedule = rig::plan::Schedule::new(&plan);
/// assert_eq!(schedule.requests.len(), 4 * 5 * 20);
/// assert!(schedule.travel(&plan).iter().all(|t| t.net_arcsec.abs() < 1e-9));
/// ```
#[derive(Clone, PartialEq, Debug)]
pub struct Schedule {
    /// The requests.
    pub requests: Vec<Planned>,
}

/// How a schedule moves an axis, in arcsec on the axis, by the requested widths. What the chain adds
/// to each pulse is added to it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Travel {
    /// The axis.
    pub axis: Axis,
    /// The way there and back.
    pub total_arcsec: f64,
    /// The furthest from the start, either side.
    pub furthest_arcsec: f64,
    /// Where it ends; 0 of a balanced plan.
    pub net_arcsec: f64,
}

impl Schedule {
    /// The schedule of `plan`.
    pub fn new(plan: &Plan) -> Schedule {
        let mut random = Random::new(plan.seed);
        let mut requests = Vec::new();
        let rounds = if plan.round_len() == 0 {
            0
        } else {
            plan.rounds
        };
        for round in 0..rounds {
            // Where the axes are, in arcsec; a balanced round ends where it began.
            let mut position = [0.0; 2];
            let mut left: Vec<(Direction, f64)> = plan
                .widths_ms
                .iter()
                .flat_map(|width| plan.directions.iter().map(|d| (*d, *width)))
                .collect();
            while !left.is_empty() {
                let within = |(direction, width): &(Direction, f64)| {
                    let (axis, step) = step(plan, *direction, *width);
                    !plan.balanced
                        || (position[axis] + step).abs() <= plan.cap_arcsec * (1.0 + 1e-12)
                };
                let allowed: Vec<usize> = (0..left.len()).filter(|i| within(&left[*i])).collect();
                let chosen = match allowed.len() {
                    // Only where a cap is too small for the widths, which a check refuses.
                    0 => 0,
                    _ if !plan.random_order => allowed[0],
                    n => allowed[random.below(n as u64) as usize],
                };
                let (direction, width_ms) = left.remove(chosen);
                let (axis, moved) = step(plan, direction, width_ms);
                position[axis] += moved;
                requests.push(Planned {
                    round,
                    direction,
                    width_ms,
                    pause_s: plan.spacing_s + plan.random_phase_s * random.uniform(),
                });
            }
        }
        Schedule { requests }
    }

    /// How the schedule moves both axes, right ascension first.
    pub fn travel(&self, plan: &Plan) -> [Travel; 2] {
        let mut travel = Axis::ALL.map(|axis| Travel {
            axis,
            total_arcsec: 0.0,
            furthest_arcsec: 0.0,
            net_arcsec: 0.0,
        });
        for request in &self.requests {
            let (axis, moved) = step(plan, request.direction, request.width_ms);
            let travel = &mut travel[axis];
            travel.total_arcsec += moved.abs();
            travel.net_arcsec += moved;
            travel.furthest_arcsec = travel.furthest_arcsec.max(travel.net_arcsec.abs());
        }
        travel
    }
}

/// Index of the axis, and how far a request moves it, in arcsec with its sign.
fn step(plan: &Plan, direction: Direction, width_ms: f64) -> (usize, f64) {
    let moved = width_ms / 1000.0 * plan.speed(direction);
    match direction {
        Direction::RaPlus => (0, moved),
        Direction::RaMinus => (0, -moved),
        Direction::DecPlus => (1, moved),
        Direction::DecMinus => (1, -moved),
    }
}
