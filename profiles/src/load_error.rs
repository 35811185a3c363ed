//! Definitions that cannot be used.

/// Why the shipped or a site's definitions could not be used. The message names the file and what to change.
#[derive(Debug, Clone, thiserror::Error)]
#[error("{file}: {reason}")]
pub struct LoadError {
    /// The file at fault.
    pub file: String,
    /// What is wrong with it and how to mend it.
    pub reason: String,
}
