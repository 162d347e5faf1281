//! The one shape in which a picture travels through the measuring.

pub use optics::focus::Side;

/// A monochrome picture as displayed: row-major, first row on top.
///
/// Values are in the file's own units (counts, or the float values of the
/// file); nothing is rescaled except that colour is turned to luminance.
#[derive(Debug, Clone, PartialEq)]
pub struct Frame {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// `width * height` finite values, row by row from the top.
    pub data: Vec<f32>,
    /// The level at which the sensor or file format saturates, when the
    /// format tells (65535 for 16-bit integers and so on); `None` for floats.
    pub full_scale: Option<f32>,
    /// Where it came from, for messages: file name, with the plane for cubes.
    pub name: String,
}

/// What a person knows of the instrument and the camera, needed to turn
/// pixels into waves.
#[derive(Debug, Clone, PartialEq)]
pub struct Setup {
    /// Clear aperture, mm.
    pub aperture_mm: f64,
    /// Focal length as used (with any reducer or Barlow), mm.
    pub focal_mm: f64,
    /// Central obstruction by diameter, 0 (none) to below 1.
    pub obstruction: f64,
    /// Pixel pitch, micrometres (with binning).
    pub pixel_um: f64,
    /// Centre of the band the frames were taken in, nm.
    pub wavelength_nm: f64,
    /// Full width of the band, nm; 0 for a line, about 100 for a mono camera
    /// behind a green filter, about 250 for a mono or colour camera in white light.
    pub bandwidth_nm: f64,
    /// Which side of focus the frames were taken on.
    pub side: Side,
    /// Spider vanes, when told.
    pub vanes: Option<Vanes>,
}

/// A spider: `count` straight vanes at equal angles.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Vanes {
    /// How many vanes reach from the holder to the rim.
    pub count: u32,
    /// Thickness of each, mm.
    pub width_mm: f64,
    /// Direction of the first in the picture, clock degrees.
    pub clock_deg: f64,
}

/// A square cut-out around the star, averaged over the frames used.
#[derive(Debug, Clone, PartialEq)]
pub struct Stamp {
    /// Pixels along one side.
    pub size: usize,
    /// `size * size` values, first row on top.
    pub data: Vec<f64>,
    /// 1-sigma noise of each value, same shape.
    pub sigma: Vec<f64>,
    /// How many frames went in.
    pub frames: usize,
}
