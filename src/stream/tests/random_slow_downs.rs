//! Random plans whose line dies at a random time: how hard the board decelerates by the ticks
//! that it plays, against the plan.

use std::rc::Rc;
use std::sync::Arc;

use super::bench::{BenchProgram, RATE, items, parse, rig_text};
use super::boards::Line;
use super::session::{CLEAN, Session};
use crate::plan::{Item, Motion};
use crate::rig::Rig;
use crate::stream::gentle::PlannedDecel;
use crate::stream::message::{BoardReport, BoardState};
use crate::stream::slow_down::{self, EXCESS};
use crate::testing::draw::Draw;

/// Plans under `cargo test`; `SLEWSMITH_CASES` asks for more, `SLEWSMITH_FIRST` for others.
const CASES: u64 = 25;

/// A plan of one axis or of two, and when its line dies (ms after the start).
struct Case {
    rig: Rig,
    microsteps: u64,
    script: String,
    cut: u32,
}

impl Case {
    fn of(seed: u64) -> Self {
        let mut draw = Draw::of(seed);
        let mut below = |most: u64| (draw.share() * most as f64) as u64;
        let microsteps = [4, 8, 16, 32][below(4) as usize];
        // At most 38,000 steps/s, and ramps that are as long as those of the fixed plans.
        let fastest = (38_000 / microsteps).min(1500);
        let speed = microsteps * (100 + below(fastest - 100));
        let [up, down] = [below(2800), below(2800)].map(|ramp| speed * speed / (2 * (400 + ramp)));
        let (axes, turns) = match below(3) {
            0 => {
                let (x, y) = (600 + below(40_000), 300 + below(20_000));
                let turns = format!(
                    "together {{\n  turn x by {x} microstep\n  turn y by -{y} microstep\n}}\n"
                );
                (&["x", "y"][..], turns)
            }
            _ => {
                let x = 600 + below(40_000);
                (&["x"][..], format!("turn x by {x} microstep\n"))
            }
        };
        let shape = match below(3) {
            0 => {
                let jerk = up.max(down) * (2 + below(40));
                format!("shape s-curve\njerk {jerk} microstep/s^3\n")
            }
            _ => "shape trapezoid\n".to_owned(),
        };
        let script = format!(
            "bands allow\nspeed {speed} microstep/s\naccel {up} microstep/s^2\ndecel {down} microstep/s^2\n{shape}{turns}dwell 2 s\n"
        );
        let text = rig_text(axes).replace("microsteps: 16", &format!("microsteps: {microsteps}"));
        let rig = parse(text);
        let length = motion_of(&rig, &script).duration;
        let cut = below((length * 1000.0) as u64 + 1) as u32;
        Self {
            rig,
            microsteps,
            script,
            cut,
        }
    }

    /// By which share each axis decelerates harder than its plan, at most, over two stretches of
    /// so many full steps as [`EXCESS`] has, and over longer ones; none where the plan is refused,
    /// since a slow-down takes more room than the board has.
    fn excesses(&self) -> Option<[f64; 3]> {
        let program = Rc::new(BenchProgram::new(&self.rig, &self.script));
        if program.unfit.is_some() {
            return None;
        }
        let mut session = Session::model(&program, CLEAN);
        let runs = |report: &BoardReport| report.state == BoardState::Running;
        while !session.host.report().is_some_and(runs) {
            session.step();
        }
        session.wait(self.cut);
        session.out.cut = true;
        session.run_to(BoardState::LineDead);
        let motion = motion_of(&self.rig, &self.script);
        let mut worst = [-1.0_f64; 3];
        for axis in &motion.axes {
            let steps = session.of(Line::Step(axis.axis)).into_iter();
            let ticks: Vec<u64> = steps.map(|(tick, _)| tick).collect();
            for (worst, (stretch, _)) in worst.iter_mut().zip(EXCESS) {
                let planned = PlannedDecel {
                    decel: slow_down::planned_decel(axis, motion.shape),
                    rate: f64::from(RATE),
                    stretch: stretch * self.microsteps as usize,
                };
                *worst = worst.max(planned.excess(&ticks, 0));
            }
        }
        Some(worst)
    }
}

fn motion_of(rig: &Rig, script: &str) -> Arc<Motion> {
    let mut motions = items(rig, script)
        .into_iter()
        .filter_map(|item| match item {
            Item::Move(planned) => Some(planned.motion),
            _ => None,
        });
    motions.next().expect("a move")
}

#[test]
fn a_dead_line_decelerates_random_plans_within_the_stated_bound() {
    let asked = std::env::var("SLEWSMITH_CASES").ok();
    let cases = asked.map_or(CASES, |cases| cases.parse().unwrap());
    let mut worst = [(-1.0, 0); 3];
    let first = std::env::var("SLEWSMITH_FIRST").map_or(0, |first| first.parse().unwrap());
    let mut refused = 0;
    for seed in first..first + cases {
        let Some(excesses) = Case::of(seed).excesses() else {
            refused += 1;
            continue;
        };
        for (worst, excess) in worst.iter_mut().zip(excesses) {
            if excess > worst.0 {
                *worst = (excess, seed);
            }
        }
    }
    println!("{worst:?} of {cases} plans, {refused} refused");
    assert!(refused * 10 <= cases, "{refused} of {cases} refused");
    for ((excess, seed), (stretch, bound)) in worst.into_iter().zip(EXCESS) {
        assert!(
            excess <= bound,
            "{excess} over stretches of {stretch} full steps, seed {seed}: {}",
            Case::of(seed).script
        );
    }
}
