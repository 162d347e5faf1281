//! On which side of focus a star is seen.

/// Side of focus.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// Between the objective and the focus (W020 negative).
    Inside,
    /// Beyond the focus (W020 positive).
    Outside,
    /// Not told.
    #[default]
    Unknown,
}
