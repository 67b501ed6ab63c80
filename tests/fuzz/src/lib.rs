//! What the targets share: where they work, and what a panic means.

use std::path::PathBuf;
use std::sync::LazyLock;

/// A folder of this process, in memory where the system has such a place.
pub static FOLDER: LazyLock<PathBuf> = LazyLock::new(|| {
    let memory = PathBuf::from("/dev/shm");
    let base = if memory.is_dir() { memory } else { std::env::temp_dir() };
    let folder = base.join(format!("fitcohort-fuzz-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a folder to work in");
    folder
});

/// Takes back the hook that ends the process at any panic: the decoder of damaged Parquet files panics inside a guard of
/// ours. A panic that leaves the target still ends the run.
pub fn allow_caught_panics() {
    std::panic::set_hook(Box::new(|info| {
        let guarded = info.location().is_some_and(|place| {
            ["/parquet-", "/arrow-"].iter().any(|engine| place.file().contains(engine))
        });
        if !guarded {
            eprintln!("{info}");
        }
    }));
}
