//! Every number on the pages of a real run is that of `results.json`.

use crate::pages::faults;
use crate::workspace::Workspace;

#[test]
fn every_number_of_the_pages_is_in_the_results() {
    let workspace = Workspace::invented(1500, 21);
    workspace.write("plan.toml", "permutations = 99\nresamples = 100\n");
    workspace.ok(&["report", "c", "--out", "r", "--plan", "plan.toml"]);
    for reader in ["owner", "researcher", "trainer"] {
        let faults = faults(&workspace.path(&format!("r/{reader}")));
        assert!(
            faults.is_empty(),
            "{reader}: {} faults:\n{}",
            faults.len(),
            faults.join("\n")
        );
    }
}
