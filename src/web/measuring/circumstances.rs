//! What is told of a set of frames beside the frames.

use crate::bench::orientation::Shade;
use crate::library::Moment;
use crate::library::lamp::Lamp;
use crate::library::star_tests::{FocusSide, Method};
use crate::startest::frame::Setup;
use crate::startest::measure::{FieldComa, KnownScale, Options};

/// Stands for the pixel pitch of a phone, µm: nobody tells it, and the measuring of a
/// phone's stills finds the scale without it.
pub const UNTOLD_PIXEL_UM: f64 = 2.0;

/// The circumstances of a try, as told and as known from the register.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Circumstances {
    /// Clear aperture, mm.
    pub aperture_mm: f64,
    /// Focal length as used, mm.
    pub focal_mm: f64,
    /// Central obstruction by diameter.
    pub obstruction: f64,
    /// Pixel pitch, micrometres.
    pub pixel_um: f64,
    /// Centre of the band, nm.
    pub wavelength_nm: f64,
    /// Width of the band, nm.
    pub bandwidth_nm: f64,
    /// Side of focus.
    pub side: FocusSide,
    /// Whether a diagonal was in.
    pub diagonal: bool,
    /// Antoniadi, 1 to 5.
    pub seeing: Option<i64>,
    /// Words beside it.
    pub note: String,
    /// Whether frames from the other side of focus came as well; `side` is then
    /// that of the first set.
    #[serde(default)]
    pub both_sides: bool,
    /// Whether the coma that a Newtonian's star has by its distance from the
    /// middle of the frames is to be taken off.
    #[serde(default)]
    pub field_coma: bool,
    /// How many vanes the register gives the instrument.
    #[serde(default)]
    pub vane_count: u32,
    /// Whether it stands behind a meniscus.
    #[serde(default)]
    pub meniscus: bool,
    /// When the frames were taken, where that was told.
    #[serde(default)]
    pub taken_at: Option<Moment>,
    /// The artificial star they were taken at.
    #[serde(default)]
    pub lamp: Option<Lamp>,
    /// Whether they are the stills of a phone held at the eyepiece, of which nobody knows
    /// the scale; focal length, pixel pitch and band then stand for nothing.
    #[serde(default)]
    pub by_phone: bool,
    /// Shades made with the stills, at the same focus: how the picture lies.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub shades: Vec<Shade>,
    /// What was told of the stills' scale.
    #[serde(default)]
    pub known_scale: KnownScale,
}

impl Circumstances {
    /// How the star was looked at.
    pub fn method(&self) -> Method {
        if self.by_phone {
            Method::ByPhone
        } else {
            Method::FromFrames
        }
    }

    pub(super) fn options(&self) -> Options {
        let mut options = Options {
            field_coma: self
                .field_coma
                .then(|| FieldComa::paraboloid(&self.setup())),
            known_scale: self.known_scale,
            ..Options::default()
        };
        options.fit_options.vane_count = (self.vane_count > 0).then_some(self.vane_count);
        options
    }

    /// The setup the frames are measured with.
    pub fn setup(&self) -> Setup {
        Setup {
            aperture_mm: self.aperture_mm,
            focal_mm: self.focal_mm * self.lamp.map_or(1.0, |lamp| lamp.focal_share),
            obstruction: self.obstruction,
            pixel_um: self.pixel_um,
            wavelength_nm: self.wavelength_nm,
            bandwidth_nm: self.bandwidth_nm,
            side: self.side.into(),
            vanes: None,
        }
    }
}
