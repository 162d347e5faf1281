//! An artificial star: what a source at a finite distance makes of one of the club's
//! instruments, from the design's usual optics.

use serde::{Deserialize, Serialize};

use super::collimations::layout_of;
use super::instruments::Instrument;
use optics::lamp::{self, Focusing, Nearby};
use optics::prescription::{Layout, Numbers, Prescription};
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

/// What to know before a lamp is set up.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Placing {
    /// From this distance on the added spherical aberration may be passed over, m.
    pub far_enough_m: f64,
    /// What focuses the instrument.
    pub focusing: Focusing,
    /// Whether no glass closes the tube: distances count from the primary mirror.
    pub open_in_front: bool,
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

fn optics_of(i: &Instrument) -> Result<(Layout, Prescription), Unfit> {
    let layout = layout_of(i.design).ok_or(Unfit::Untraced)?;
    Prescription::new(layout, Numbers::usual(layout, i.aperture_mm, i.focal_mm))
        .map(|p| (layout, p))
        .map_err(|_| Unfit::Untraced)
}

impl Lamp {
    /// What a lamp at this distance changes.
    ///
    /// # Errors
    /// [`Unfit`] where the design is not traced or the lamp stands too near.
    pub fn at(i: &Instrument, distance_m: f64) -> Result<Self, Unfit> {
        let (layout, optics) = optics_of(i)?;
        let focusing = Focusing::usual(layout);
        let star = lamp::nearby(&optics, f64::INFINITY, focusing).map_err(|_| Unfit::Untraced)?;
        let Nearby {
            spherical_rms_waves,
            effective_focal_mm,
            travel_mm,
            coma_share,
        } = lamp::nearby(&optics, distance_m * 1000.0, focusing).map_err(|_| Unfit::TooNear)?;
        Ok(Self {
            distance_m,
            focusing,
            focal_share: effective_focal_mm / star.effective_focal_mm,
            travel_mm,
            spherical_rms_waves,
            coma_share,
        })
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

impl Placing {
    /// For one instrument.
    ///
    /// # Errors
    /// [`Unfit`] where the design is not traced.
    pub fn of(i: &Instrument) -> Result<Self, Unfit> {
        let (layout, optics) = optics_of(i)?;
        let focusing = Focusing::usual(layout);
        lamp::far_enough_mm(&optics, focusing)
            .map(|mm| Self {
                far_enough_m: mm / 1000.0,
                focusing,
                open_in_front: layout.open_in_front(),
            })
            .map_err(|_| Unfit::Untraced)
    }
}
