//! The words of the trade that appear in records, and the ten audiometric frequencies.

/// Number of frequencies at which records are kept.
pub const N_FREQUENCIES: usize = 10;

/// The frequencies at which thresholds, targets and responses are kept, in Hz: the octaves from 250 to
/// 8000 Hz and the half-octaves between 500 and 8000 Hz in audiometric use (ISO 8253-1, from memory).
pub const FREQUENCIES: [u16; N_FREQUENCIES] =
    [250, 500, 750, 1000, 1500, 2000, 3000, 4000, 6000, 8000];

/// Positions in [`FREQUENCIES`] of 500, 1000, 2000 and 4000 Hz: the pure-tone average and the RMS deviation.
pub const FOUR_FREQUENCIES: [usize; 4] = [1, 3, 5, 7];

/// Positions of 3000, 4000 and 6000 Hz: the high-frequency measure.
pub const HIGH_FREQUENCIES: [usize; 3] = [6, 7, 8];

/// Positions of 250 to 4000 Hz: the mean signed deviation. Measurements repeat less well above.
pub const UP_TO_4000: [usize; 8] = [0, 1, 2, 3, 4, 5, 6, 7];

/// Where a frequency stands in [`FREQUENCIES`].
#[must_use]
pub fn frequency_position(frequency_hz: u32) -> Option<usize> {
    FREQUENCIES
        .iter()
        .position(|&kept| u32::from(kept) == frequency_hz)
}

/// Declares a closed list of words with its parser and printer.
macro_rules! words {
    ($(#[$meta:meta])* $name:ident { $($(#[$vmeta:meta])* $variant:ident = $word:literal),+ $(,)? }) => {
        $(#[$meta])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[repr(u8)]
        pub enum $name { $($(#[$vmeta])* $variant),+ }

        impl $name {
            /// Every value, in the order of declaration.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];
            /// The words, in the same order.
            pub const WORDS: &'static [&'static str] = &[$($word),+];

            /// The word that stands for the value in records and in the store.
            #[must_use]
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word),+ }
            }

            /// The value for a word, exactly as written.
            #[must_use]
            pub fn from_word(word: &[u8]) -> Option<Self> {
                $(if word == $word.as_bytes() { return Some(Self::$variant); })+
                None
            }
        }
    };
}

words! {
    /// The ear of a row.
    Ear {
        /// The left ear.
        Left = "left",
        /// The right ear.
        Right = "right",
    }
}

words! {
    /// When a response was measured.
    Stage {
        /// Before adjustment.
        First = "first",
        /// As the wearer left.
        Final = "final",
    }
}

words! {
    /// What a real-ear point is.
    Quantity {
        /// Real-ear aided response, dB SPL in the ear canal.
        Rear = "REAR",
        /// Real-ear insertion gain, dB.
        Reig = "REIG",
    }
}

words! {
    /// Whether the wearer had hearing aids before.
    Experience {
        /// First hearing aids.
        New = "new",
        /// Had hearing aids before.
        Experienced = "experienced",
    }
}

words! {
    /// What is recorded of a medical referral.
    Referral {
        /// Recorded: none was made.
        None = "none",
        /// Advised.
        Advised = "advised",
        /// Completed.
        Completed = "completed",
        /// Nothing recorded.
        Unknown = "unknown",
    }
}

words! {
    /// How the ear canal is coupled.
    Coupling {
        /// Open.
        Open = "open",
        /// Vented.
        Vented = "vented",
        /// Closed.
        Closed = "closed",
        /// Custom mould.
        Custom = "custom",
    }
}

words! {
    /// True or false, as written in records.
    Truth {
        /// No.
        False = "false",
        /// Yes.
        True = "true",
    }
}

words! {
    /// The four tables of a delivery.
    TableName {
        /// One row a fitting.
        Fittings = "fittings",
        /// One row an ear assessed.
        Ears = "ears",
        /// One row a real-ear point, or one a curve in the wide form.
        Responses = "responses",
        /// One row an answer.
        Outcomes = "outcomes",
    }
}
