//! What was typed and must be mended.

use super::super::by_eye_form::ByEyeFields;
use super::draw::Stand;
use super::four_stars::CornerFields;

/// What was typed and must be mended.
#[derive(Debug, Default)]
pub struct Typed {
    /// Points ticked.
    pub ready: Vec<String>,
    /// Clock hour shaded.
    pub tube_clock: String,
    /// Clock hour that went dark.
    pub dark_clock: String,
    /// Side of focus of the shade.
    pub shade_side: String,
    /// Whether the shade test is left for later.
    pub without_shade: bool,
    /// The look.
    pub eye: Option<ByEyeFields>,
    /// Mark's offset.
    pub mark_mm: String,
    /// Its direction.
    pub mark_clock: String,
    /// Turns told by hand.
    pub own: Vec<String>,
    /// The four edges of the field.
    pub corners: Option<CornerFields>,
    /// Another screen of the step than the first, or "".
    pub view: String,
    /// Which screw of an adjustment, from 0.
    pub screw: usize,
    /// From where the tube is looked at, if not facing the screws.
    pub stand: Option<Stand>,
}
