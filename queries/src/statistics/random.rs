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
    let mut product = u64::from(rng.next_u32()) * u64::from(bound);
    if (product as u32) < bound {
        let reject_under = bound.wrapping_neg() % bound.max(1);
        while (product as u32) < reject_under {
            product = u64::from(rng.next_u32()) * u64::from(bound);
        }
    }
    (product >> 32) as u32
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
