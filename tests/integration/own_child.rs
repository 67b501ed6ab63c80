//! A test that runs itself once more in a process of its own, so that what it takes of memory can be told.

use std::io::Write;
use std::process::Command;

/// Largest resident memory that hostile input may lead to, KiB.
const MOST_MEMORY: u64 = 512 << 10;

/// Name of the variable that tells the child what to work on.
const TASK: &str = "FITCOHORT_TEST_TASK";

/// What the child was asked to do; none in the parent.
pub(crate) fn task() -> Option<String> {
    std::env::var(TASK).ok()
}

/// Runs a test of this binary in a process of its own with a task, and gives what it printed.
pub(crate) fn run(test: &str, task: &str) -> String {
    let output = Command::new(std::env::current_exe().expect("this program"))
        .args(["--exact", test, "--nocapture", "--test-threads", "1"])
        .env(TASK, task)
        .output()
        .expect("the child starts");
    let printed = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(
        output.status.success(),
        "{printed}{}",
        String::from_utf8_lossy(&output.stderr)
    );
    printed
}

/// The largest resident memory of this process so far, KiB, where the system says it (Linux).
pub(crate) fn peak_memory() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}

/// Says something to the parent.
pub(crate) fn say(text: &str) {
    // A line of its own: the harness prints before it.
    writeln!(std::io::stdout(), "\n{text}").expect("the parent listens");
}

/// Says at the end how much memory was taken.
pub(crate) fn say_peak_memory() {
    if let Some(peak) = peak_memory() {
        say(&format!("peak memory: {peak}"));
    }
}

/// Looks whether the child stayed within its bound, where the system says it; `--nocapture` shows what it said.
#[expect(clippy::print_stdout, reason = "the harness keeps it unless asked")]
pub(crate) fn assert_bounded(printed: &str) {
    println!("{printed}");
    let peak = printed
        .lines()
        .find_map(|line| line.strip_prefix("peak memory: "));
    match peak {
        Some(peak) => {
            let peak: u64 = peak.parse().expect("a number");
            assert!(peak < MOST_MEMORY, "{peak} KiB: {printed}");
        }
        None => assert!(
            peak_memory().is_none(),
            "the child does not say it: {printed}"
        ),
    }
}
