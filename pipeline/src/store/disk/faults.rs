//! Faults for tests: `FITCOHORT_FAULT=POINT:FAULT` or `POINT:FAULT:N` makes the Nth passage of a point go wrong, the
//! first where no number is given. Each fault says on standard error that it was reached.

use std::io::{self, Write};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU64, Ordering};

use super::WritePoint;

const VARIABLE: &str = "FITCOHORT_FAULT";

/// Numbers of the system's errors: no space left, failing device, rename across devices.
const ENOSPC: i32 = 28;
const EIO: i32 = 5;
const EXDEV: i32 = 18;

/// What goes wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Fault {
    /// Half of the bytes are written, and that is said: the writer has to go on with the rest.
    ShortWrite,
    /// Half of the bytes are written, or nothing is done, and the disk is full.
    Enospc,
    /// Nothing is done, and the device fails.
    Eio,
    /// The rename is refused.
    Rename,
    /// The process ends before, in the middle, or after.
    KillBefore,
    KillHalf,
    KillAfter,
}

impl Fault {
    fn from_word(word: &str) -> Option<Self> {
        Some(match word {
            "short-write" => Self::ShortWrite,
            "enospc" => Self::Enospc,
            "eio" => Self::Eio,
            "rename" => Self::Rename,
            "kill-before" => Self::KillBefore,
            "kill-half" => Self::KillHalf,
            "kill-after" => Self::KillAfter,
            _ => return None,
        })
    }

    fn error(self) -> Option<io::Error> {
        let number = match self {
            Self::Enospc => ENOSPC,
            Self::Eio => EIO,
            Self::Rename => EXDEV,
            _ => return None,
        };
        Some(io::Error::from_raw_os_error(number))
    }
}

struct Plan {
    point: WritePoint,
    fault: Fault,
    passage: u64,
}

impl Plan {
    fn parse(text: &str) -> Option<Self> {
        let mut words = text.split(':');
        let point = words.next()?;
        let plan = Self {
            point: WritePoint::ALL
                .iter()
                .copied()
                .find(|known| known.word() == point)?,
            fault: Fault::from_word(words.next()?)?,
            passage: words.next().map_or(Some(1), |number| number.parse().ok())?,
        };
        words.next().is_none().then_some(plan)
    }
}

#[allow(
    clippy::print_stderr,
    reason = "tests look for it; no build that anybody is given has it"
)]
fn say(text: &str) {
    eprintln!("{text}");
}

/// The end of the process without unwinding and without anything in memory being written, as a kill.
fn kill() -> ! {
    std::process::abort()
}

/// The fault of this passage, if it is the one.
fn reached(point: WritePoint) -> Option<Fault> {
    static PLAN: OnceLock<Option<Plan>> = OnceLock::new();
    static PASSED: AtomicU64 = AtomicU64::new(0);
    let plan = PLAN.get_or_init(|| {
        let text = std::env::var(VARIABLE).ok()?;
        let plan = Plan::parse(&text);
        if plan.is_none() {
            say(&format!("{VARIABLE} names no fault"));
            kill();
        }
        plan
    });
    let plan = plan.as_ref().filter(|plan| plan.point == point)?;
    let passage = PASSED.fetch_add(1, Ordering::SeqCst) + 1;
    (passage == plan.passage).then(|| {
        say(&format!(
            "fault reached: {} {:?}",
            plan.point.word(),
            plan.fault
        ));
        plan.fault
    })
}

/// Does something at a point, or lets it go wrong.
pub(super) fn around<T>(point: WritePoint, act: impl FnOnce() -> io::Result<T>) -> io::Result<T> {
    let Some(fault) = reached(point) else {
        return act();
    };
    match fault {
        Fault::KillBefore | Fault::KillHalf => kill(),
        Fault::KillAfter => {
            let _ = act();
            kill()
        }
        other => match other.error() {
            Some(error) => Err(error),
            None => act(),
        },
    }
}

/// Writes at a point, or lets it go wrong.
pub(super) fn write(point: WritePoint, buffer: &[u8], file: &mut impl Write) -> io::Result<usize> {
    let Some(fault) = reached(point) else {
        return file.write(buffer);
    };
    let half = buffer.get(..buffer.len().div_ceil(2)).unwrap_or(buffer);
    match fault {
        Fault::ShortWrite => file.write(half),
        Fault::KillBefore => kill(),
        Fault::KillHalf => {
            let _ = file.write(half);
            kill()
        }
        Fault::KillAfter => {
            let _ = file.write(buffer);
            kill()
        }
        Fault::Enospc => {
            let _ = file.write(half);
            Err(io::Error::from_raw_os_error(ENOSPC))
        }
        Fault::Eio | Fault::Rename => Err(io::Error::from_raw_os_error(EIO)),
    }
}
