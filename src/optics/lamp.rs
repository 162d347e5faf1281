//! An artificial star: a small source at a finite distance.
//!
//! A telescope is figured for a star. On a source nearby it shows spherical
//! aberration that is not its own, and its picture lies elsewhere at another scale.
//! What follows is traced with exact rays; for a paraboloid there is a closed form,
//! W040 = (D/2)^4/(4 R^3) (1 - ((1 - m)/(1 + m))^2) with m = 1/(L - 1) and
//! f_eff = f L/(L - 1), L the distance in focal lengths.

use nalgebra::Vector2;

use super::alignment::per_arcmin_about;
use super::eye;
use super::prescription::{Layout, Prescription};
use super::trace::{Lost, Part, System};

/// What moves when the telescope is focused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Focusing {
    /// The primary mirror slides along the tube.
    PrimaryMoves,
    /// The eyepiece moves.
    EyepieceMoves,
}

impl Focusing {
    /// What is usual for a design (common practice, no source): a moving mirror in
    /// Schmidt- and Maksutov-Cassegrains, a focuser elsewhere.
    pub const fn usual(layout: Layout) -> Self {
        match layout {
            Layout::SchmidtCassegrain
            | Layout::AplanaticSchmidtCassegrain
            | Layout::MaksutovCassegrain => Self::PrimaryMoves,
            Layout::Newtonian
            | Layout::ClassicalCassegrain
            | Layout::RitcheyChretien
            | Layout::Refractor => Self::EyepieceMoves,
        }
    }
}

/// What a source at a distance makes of an instrument in line, beside a star.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Nearby {
    /// Spherical aberration that the distance adds, Noll Z11 over the full circle,
    /// waves RMS at 550 nm.
    pub spherical_rms_waves: f64,
    /// Height of a ray at the front over its slope at the picture, mm: the focal
    /// length by which angles seen from the front become lengths in the picture.
    pub effective_focal_mm: f64,
    /// How far the primary slides back, or the eyepiece goes out, from where a star is
    /// sharp, mm.
    pub travel_mm: f64,
    /// Coma for a given tilt of the part that is adjusted, the source in the middle,
    /// over that of a star.
    pub coma_share: f64,
}

/// The shortest distance that is traced, in focal lengths: nearer, no focuser follows.
pub const NEAREST_FOCAL_LENGTHS: f64 = 4.0;

/// Spherical aberration that may be added unheeded, waves RMS: a quarter of the
/// diffraction limit of 1/14 wave (Maréchal); our choice.
pub const UNHEEDED_RMS_WAVES: f64 = 1.0 / 14.0 / 4.0;

/// The Sun's angular diameter, radians (0.533 degrees in the mean).
const SUN_RAD: f64 = 0.0093;

/// What a source changes that stands `distance_mm` from where the beam is limited: the
/// plate, meniscus or objective in front, else the primary mirror.
///
/// # Errors
/// [`Lost`] when the source is nearer than [`NEAREST_FOCAL_LENGTHS`], when no focus
/// is found, or when a ray does not get through.
pub fn nearby(of: &Prescription, distance_mm: f64, focusing: Focusing) -> Result<Nearby, Lost> {
    let near = focused(of, distance_mm, focusing)?;
    let a11 = |system: &System| -> Result<f64, Lost> {
        Ok(system.image(&[], Vector2::zeros())?.wavefront.get(11))
    };
    let star = focused(of, f64::INFINITY, Focusing::EyepieceMoves)?;
    Ok(Nearby {
        spherical_rms_waves: a11(&near.0)? - a11(&star.0)?,
        effective_focal_mm: near.0.paraxial()?.0,
        travel_mm: near.1,
        coma_share: coma_of_tilt(of, &near.0)? / coma_of_tilt(of, &star.0)?,
    })
}

/// The distance, mm, from which on the added spherical aberration is below
/// [`UNHEEDED_RMS_WAVES`]; the shortest one that is traced where it always is.
///
/// # Errors
/// [`Lost`] when a ray does not get through.
pub fn far_enough_mm(of: &Prescription, focusing: Focusing) -> Result<f64, Lost> {
    let star = focused(of, f64::INFINITY, Focusing::EyepieceMoves)?.0;
    let figure = star.image(&[], Vector2::zeros())?.wavefront.get(11);
    let adds = |distance_mm: f64| -> Result<f64, Lost> {
        let near = focused(of, distance_mm, focusing)?.0;
        Ok((near.image(&[], Vector2::zeros())?.wavefront.get(11) - figure).abs())
    };
    let (mut low, mut high) = (NEAREST_FOCAL_LENGTHS, 1e4);
    if adds(low * of.numbers.focal_mm)? <= UNHEEDED_RMS_WAVES {
        return Ok(low * of.numbers.focal_mm);
    }
    for _ in 0..24 {
        let middle = (low * high).sqrt();
        if adds(middle * of.numbers.focal_mm)? > UNHEEDED_RMS_WAVES {
            low = middle;
        } else {
            high = middle;
        }
    }
    Ok(high * of.numbers.focal_mm)
}

/// The largest source, mm, that still is a point `distance_mm` away: half of
/// Rayleigh's resolution.
pub fn largest_source_mm(aperture_mm: f64, distance_mm: f64) -> f64 {
    eye::rayleigh_arcsec(aperture_mm) / super::ARCSEC_PER_RAD * distance_mm / 2.0
}

/// The ball, mm in diameter, that shows the Sun of a given size: a convex mirror of
/// radius R has its focal length R/2, a quarter of the ball's diameter.
pub fn ball_mm(source_mm: f64) -> f64 {
    4.0 * source_mm / SUN_RAD
}

/// The instrument focused on a source, and by how much what focuses it moved, mm.
fn focused(of: &Prescription, distance_mm: f64, focusing: Focusing) -> Result<(System, f64), Lost> {
    if distance_mm < NEAREST_FOCAL_LENGTHS * of.numbers.focal_mm || distance_mm.is_nan() {
        return Err(Lost);
    }
    let moved = |by_mm: f64| {
        let mut system = of.system.clone();
        system.vergence_per_mm = 1.0 / distance_mm;
        if of.layout.open_in_front() {
            system.stop_z_mm = 0.0;
        }
        match focusing {
            Focusing::PrimaryMoves => system
                .surfaces
                .iter_mut()
                .filter(|s| s.part == Part::Primary)
                .for_each(|s| s.vertex_mm.z -= by_mm),
            Focusing::EyepieceMoves => {
                let outwards = system.image_axes.column(2) * by_mm;
                system.focus_mm += outwards;
            }
        }
        system
    };
    let defocus = |by_mm: f64| -> Result<f64, Lost> {
        let image = moved(by_mm).image(&[], Vector2::zeros())?;
        Ok(image.wavefront.get(4))
    };
    // Secants from where a thin lens would have it; a moving primary is refined
    // from a small step, as its lever is the square of the secondary's magnification.
    let mut at = 0.0;
    let mut step = match focusing {
        Focusing::PrimaryMoves => 0.1,
        Focusing::EyepieceMoves => 1.0,
    };
    let mut here = defocus(at)?;
    for _ in 0..40 {
        if here.abs() < 1e-7 {
            return Ok((moved(at), at));
        }
        let next = defocus(at + step)?;
        let slope = (next - here) / step;
        if slope == 0.0 || !slope.is_finite() {
            return Err(Lost);
        }
        (at, here) = (at + step, next);
        step = -here / slope;
    }
    // What rounding leaves of a long way is far below a hundredth of a wave.
    if here.abs() < 1e-3 {
        return Ok((moved(at), at));
    }
    Err(Lost)
}

/// RMS coma per arc minute of tilt of the part that is adjusted, the star brought
/// back to the middle.
fn coma_of_tilt(of: &Prescription, system: &System) -> Result<f64, Lost> {
    let parts: &[Part] = match of.layout {
        Layout::Newtonian | Layout::MaksutovCassegrain => &[Part::Primary],
        Layout::Refractor => &[Part::Crown, Part::Flint],
        _ => &[Part::Secondary],
    };
    let vertex = parts
        .first()
        .and_then(|part| of.vertex_mm(*part))
        .ok_or(Lost)?;
    Ok(per_arcmin_about(system, parts, vertex)?.coma_centred_rms())
}
