//! Sorts rows that mostly stand in order already: files are written fitting by fitting.

use rayon::prelude::*;

/// Of so many neighbours one may be out of order before the rows are sorted as if they were in none.
const IN_ORDER: usize = 64;

/// Sorts rows by a key that no two of them share, or whose rows are all the same to the caller.
pub(super) fn sort_by_key<T: Send + Sync, K: Ord>(rows: &mut [T], key: impl Fn(&T) -> K + Sync) {
    let steps_down = rows
        .par_windows(2)
        .filter(|pair| matches!(pair, [a, b] if key(a) > key(b)))
        .count();
    match steps_down {
        0 => {}
        // Long runs are merged, which takes little more than looking at every row.
        _ if steps_down <= rows.len() / IN_ORDER => rows.sort_by_key(key),
        _ => rows.par_sort_unstable_by_key(key),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_are_sorted_however_they_stand() {
        let ordered: Vec<u32> = (0..10_000).collect();
        let mut late = ordered.clone();
        late.rotate_left(3);
        let mut reversed = ordered.clone();
        reversed.reverse();
        // 7919 is prime to 10000, so that every number is there once.
        let scattered: Vec<u32> = ordered.iter().map(|n| n * 7919 % 10_000).collect();
        for mut rows in [ordered.clone(), late, reversed, scattered, Vec::new()] {
            let n = rows.len();
            sort_by_key(&mut rows, |row| *row);
            assert_eq!(rows, ordered[..n]);
        }
    }
}
