//! In the making.

/// When the 10 g monofilament shows loss of protective sensation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum MonofilamentCriterion {
    /// Not felt at any of hallux, first and fifth metatarsal head of a foot.
    #[default]
    ThreeSite,
    /// Fewer than this many sites of the recorded protocol felt on a foot (common practice, no source).
    FeltBelow(u8),
}
