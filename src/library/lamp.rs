//! An artificial star: what a source at a finite distance makes of one of the club's
//! instruments, from the design's usual optics.

use serde::{Deserialize, Serialize};

use super::collimations::layout_of;
use super::instruments::{Design, Instrument};
use optics::lamp::{self, Focusing, Nearby};
use optics::prescription::{Numbers, Prescription};
use startest::report::{Reason, Report};

/// A lamp that a star test was made at, and what its distance changed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Lamp {
    /// Its distance from the front glass, else from the primary mirror, m.
    pub distance_m: f64,
    /// What focuses the instrument.
    pub focusing: Focusing,
    /// The focal length for the lamp over that for a star.
    pub focal_share: f64,
    /// How far the primary slides back or the eyepiece goes out, mm.
    pub travel_mm: f64,
    /// Spherical aberration the distance adds, waves RMS at 550 nm, Noll Z11.
    pub spherical_rms_waves: f64,
    /// Coma of a tilt over that at a star.
    pub coma_share: f64,
}

/// An instrument whose optics are known, for lamps at any distance.
#[derive(Debug, Clone)]
pub struct Traced {
    optics: Prescription,
}

/// Why a lamp does not serve.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Unfit {
    /// This design's optics are not traced.
    #[error("an artificial star is not reckoned for this design; use a star in the sky")]
    Untraced,
    /// It stands so near that no focuser follows.
    #[error("an artificial star so near can't be brought to focus; put it farther away")]
    TooNear,
}

impl Traced {
    /// From the design's usual optics.
    ///
    /// # Errors
    /// [`Unfit`] where the design is not traced.
    pub fn of(i: &Instrument) -> Result<Self, Unfit> {
        Self::of_design(i.design, i.aperture_mm, i.focal_mm)
    }

    /// The same of an instrument that is in no register: design, clear aperture and focal
    /// length, mm.
    ///
    /// # Errors
    /// [`Unfit`] where the design is not traced.
    pub fn of_design(design: Design, aperture_mm: f64, focal_mm: f64) -> Result<Self, Unfit> {
        let layout = layout_of(design).ok_or(Unfit::Untraced)?;
        Prescription::new(layout, Numbers::usual(layout, aperture_mm, focal_mm))
            .map(|optics| Self { optics })
            .map_err(|_| Unfit::Untraced)
    }

    /// What focuses it.
    pub const fn focusing(&self) -> Focusing {
        Focusing::usual(self.optics.layout)
    }

    /// Whether no glass closes the tube: distances count from the primary mirror.
    pub const fn open_in_front(&self) -> bool {
        self.optics.layout.open_in_front()
    }

    /// From this distance on the added spherical aberration may be passed over, m.
    ///
    /// # Errors
    /// [`Unfit`] where a ray does not get through.
    pub fn far_enough_m(&self) -> Result<f64, Unfit> {
        lamp::far_enough_mm(&self.optics, self.focusing())
            .map(|mm| mm / 1000.0)
            .map_err(|_| Unfit::Untraced)
    }

    /// What a lamp at this distance changes.
    ///
    /// # Errors
    /// [`Unfit`] where the lamp stands too near.
    pub fn lamp(&self, distance_m: f64) -> Result<Lamp, Unfit> {
        let focusing = self.focusing();
        let at = |mm| lamp::nearby(&self.optics, mm, focusing);
        let star_focal_mm = at(f64::INFINITY)
            .map_err(|_| Unfit::Untraced)?
            .effective_focal_mm;
        let Nearby {
            spherical_rms_waves,
            effective_focal_mm,
            travel_mm,
            coma_share,
        } = at(distance_m * 1000.0).map_err(|_| Unfit::TooNear)?;
        Ok(Lamp {
            distance_m,
            focusing,
            focal_share: effective_focal_mm / star_focal_mm,
            travel_mm,
            spherical_rms_waves,
            coma_share,
        })
    }
}

impl Lamp {
    /// What a lamp at this distance changes.
    ///
    /// # Errors
    /// [`Unfit`] where the design is not traced or the lamp stands too near.
    pub fn at(i: &Instrument, distance_m: f64) -> Result<Self, Unfit> {
        Traced::of(i)?.lamp(distance_m)
    }

    /// The same angle seen from the front, where an eyepiece's scale for stars says
    /// `told`.
    pub fn angle(&self, told: f64) -> f64 {
        told / self.focal_share
    }

    /// The coma that a star would show, where the lamp shows `seen`.
    pub fn coma_at_a_star(&self, seen: f64) -> f64 {
        seen / self.coma_share
    }

    /// Turns a measurement of the lamp into what a star would have shown. The fitted
    /// terms stay as seen; a note says which part of them the distance made.
    pub fn told_as_a_star(&self, report: &mut Report) {
        if let Some(w) = &mut report.wavefront {
            for coma in [
                &mut w.coma_rms_waves,
                &mut w.coma_rms_waves_sigma,
                &mut w.coma_annular_rms_waves,
                &mut w.coma_x_waves,
                &mut w.coma_y_waves,
                &mut w.coma_component_sigma_waves,
                &mut w.scatter_sigma_waves,
                &mut w.model_sigma_waves,
            ] {
                *coma = self.coma_at_a_star(*coma);
            }
            report.notes.push(Reason {
                code: "artificial-star".to_owned(),
                text: format!(
                    "At an artificial star {:.0} m away, {:.3} waves RMS of spherical aberration come from its distance, not from the telescope. Coma is given as a star would show it.",
                    self.distance_m,
                    self.spherical_rms_waves.abs()
                ),
                mend: "Judge the figure in focus at a star in the sky.".to_owned(),
            });
        }
    }
}
