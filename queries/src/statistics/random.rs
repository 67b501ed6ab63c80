//! Random streams that are a function of their name and number alone.
//!
//! A replicate draws from its own stream, so that what it draws depends neither on how many threads there are nor on
//! which replicate ran before.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// The stream of one replicate: ChaCha with 8 rounds, keyed by the root seed and the name of its use, with the
/// replicate as the stream number.
///
/// `domain` keeps two uses of one seed apart (a permutation test and an allocation, say). The key holds the seed in
/// its first 8 bytes and the 64-bit FNV-1a hash of `domain` in the next 8, both little-endian, then zeros. Source of
/// the hash: Fowler, Noll & Vo, RFC 9923 (from memory). ChaCha is fixed by its specification (Bernstein 2008), so a
/// seed keeps its meaning over releases.
pub fn stream(seed: u64, domain: &str, replicate: u64) -> ChaCha8Rng {
    let mut key = [0_u8; 32];
    let name = fnv1a(domain.as_bytes());
    for (slot, byte) in key
        .iter_mut()
        .zip(seed.to_le_bytes().into_iter().chain(name.to_le_bytes()))
    {
        *slot = byte;
    }
    let mut rng = ChaCha8Rng::from_seed(key);
    rng.set_stream(replicate);
    rng
}

/// The 64-bit FNV-1a hash.
fn fnv1a(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3)
    })
}

/// A whole number in `0..bound`, each equally likely; 0 when `bound` is 0.
///
/// Source: Lemire (2019), ACM Trans Model Comput Simul 29:3, multiply and reject. Written out here rather than taken
/// from a library, because a library may change how it draws and with it every published p-value.
#[inline]
pub fn below(rng: &mut impl Rng, bound: u32) -> u32 {
    below_of(|| rng.next_u32(), bound)
}

/// [`below`] from any source of random words.
#[inline]
fn below_of(mut word: impl FnMut() -> u32, bound: u32) -> u32 {
    let mut product = u64::from(word()) * u64::from(bound);
    if (product as u32) < bound {
        let reject_under = bound.wrapping_neg() % bound.max(1);
        while (product as u32) < reject_under {
            product = u64::from(word()) * u64::from(bound);
        }
    }
    (product >> 32) as u32
}

/// The draws of a shuffle, many at a time; made once for a thread.
#[derive(Default)]
pub(super) struct Shuffle {
    bytes: Vec<u8>,
    places: Vec<u32>,
}

impl Shuffle {
    /// Shuffles from the end, after Fisher and Yates: the value in place `last` is swapped with one in `0..=last`, drawn
    /// as by [`below`]. `settled` is told each place from the end and the value that stays there.
    #[inline(always)]
    pub(super) fn run<T: Copy>(
        &mut self,
        rng: &mut impl Rng,
        values: &mut [T],
        mut settled: impl FnMut(usize, T),
    ) {
        let places = self.places(rng, values.len());
        for (last, &chosen) in (1..values.len()).rev().zip(places) {
            values.swap(chosen as usize, last);
            settled(last, values[last]);
        }
        if let Some(&first) = values.first() {
            settled(0, first);
        }
    }

    /// What [`below`] would draw one by one for the bounds `values`, `values - 1` and so on down to 2. Leaves the stream
    /// where [`below`] would.
    fn places(&mut self, rng: &mut impl Rng, values: usize) -> &[u32] {
        let draws = values.saturating_sub(1);
        self.bytes.resize(4 * draws, 0);
        self.places.resize(draws, 0);
        rng.fill_bytes(&mut self.bytes);
        let words = self.bytes.as_chunks().0;
        let mut doubtful = 0;
        for ((place, word), passed) in self.places.iter_mut().zip(words).zip(0_u32..) {
            let bound = values as u32 - passed;
            let product = u64::from(u32::from_le_bytes(*word)) * u64::from(bound);
            *place = (product >> 32) as u32;
            doubtful |= u32::from((product as u32) < bound);
        }
        if doubtful != 0 {
            // Some word may have to be rejected, which moves all after it: once in a long while, and so one by one.
            let mut known = words.iter();
            for (place, passed) in self.places.iter_mut().zip(0_u32..) {
                let word = || match known.next() {
                    Some(word) => u32::from_le_bytes(*word),
                    None => rng.next_u32(),
                };
                *place = below_of(word, values as u32 - passed);
            }
        }
        &self.places
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Test vectors of the FNV authors, in the appendix of RFC 9923 (from memory): the empty string, "a", "foobar".
    #[test]
    fn hash_of_published_vectors() {
        assert_eq!(fnv1a(b""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(fnv1a(b"a"), 0xaf63_dc4c_8601_ec8c);
        assert_eq!(fnv1a(b"foobar"), 0x8594_4171_f739_67e8);
    }

    /// ChaCha8 with a key of zeros, first block, stream 0 (published test vectors of the eSTREAM submission; from
    /// memory: the key stream begins 3e00ef2f895f40d6).
    #[test]
    fn generator_is_chacha_with_eight_rounds() {
        let mut rng = ChaCha8Rng::from_seed([0; 32]);
        assert_eq!(rng.next_u32().to_le_bytes(), [0x3e, 0x00, 0xef, 0x2f]);
        assert_eq!(rng.next_u32().to_le_bytes(), [0x89, 0x5f, 0x40, 0xd6]);
    }

    #[test]
    fn seed_domain_and_replicate_each_change_the_stream() {
        let first = |seed, domain, replicate| stream(seed, domain, replicate).next_u64();
        let base = first(1, "a", 1);
        assert_eq!(base, first(1, "a", 1));
        assert_ne!(base, first(2, "a", 1));
        assert_ne!(base, first(1, "b", 1));
        assert_ne!(base, first(1, "a", 2));
    }

    /// A generator whose words are all 0 but each third: `below` rejects 0 for bounds that are no power of 2.
    struct Poor(u32);

    impl rand::rand_core::TryRng for Poor {
        type Error = std::convert::Infallible;

        fn try_next_u32(&mut self) -> Result<u32, Self::Error> {
            self.0 += 1;
            Ok(if self.0.is_multiple_of(3) {
                self.0.wrapping_mul(0x9e37_79b9)
            } else {
                0
            })
        }

        fn try_next_u64(&mut self) -> Result<u64, Self::Error> {
            Ok(u64::from(self.try_next_u32()?))
        }

        fn try_fill_bytes(&mut self, bytes: &mut [u8]) -> Result<(), Self::Error> {
            for word in bytes.chunks_mut(4) {
                word.copy_from_slice(&self.try_next_u32()?.to_le_bytes());
            }
            Ok(())
        }
    }

    #[test]
    fn many_draws_are_those_one_by_one() {
        fn same(mut one: impl Rng, mut many: impl Rng) {
            let mut shuffle = Shuffle::default();
            for values in [0, 1, 2, 3, 17, 1000, 63, 64, 65, 5] {
                let places: Vec<u32> = (1..values as u32)
                    .rev()
                    .map(|last| below(&mut one, last + 1))
                    .collect();
                assert_eq!(shuffle.places(&mut many, values), places);
                assert_eq!(one.next_u32(), many.next_u32());
            }
        }
        same(stream(3, "many", 5), stream(3, "many", 5));
        same(Poor(0), Poor(0));
    }

    /// Each of six faces comes up within 4 standard errors of a sixth (binomial standard error).
    #[test]
    fn a_die_is_fair_and_stays_in_bounds() {
        let mut rng = stream(7, "die", 0);
        let throws = 60_000;
        let mut faces = [0_u32; 6];
        for _ in 0..throws {
            faces[below(&mut rng, 6) as usize] += 1;
        }
        let error = (f64::from(throws) * (1.0 / 6.0) * (5.0 / 6.0)).sqrt();
        for face in faces {
            assert!(
                (f64::from(face) - f64::from(throws) / 6.0).abs() < 4.0 * error,
                "{faces:?}"
            );
        }
        assert_eq!(below(&mut rng, 1), 0);
        assert_eq!(below(&mut rng, 0), 0);
    }
}
