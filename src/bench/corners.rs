//! The corners of a Ritchey-Chretien's field.
//!
//! With its primary leaning and the secondary set so that the middle of the
//! field has no coma, astigmatism grows across the field from one side to the
//! other: one of its two zeros stays in the middle, the other moves away
//! (Schroeder, *Astronomical Optics*, ch. 6; Thompson, JOSA A 22, 1389 (2005)).
//! So the donut of a star at one edge of the field is drawn out along the line
//! to the middle, and that of a star at the opposite edge across it. Half the
//! difference of the two is the primary's lean; what the design itself has, and
//! what an eyepiece or an eye adds, is alike on both sides and falls out.
//!
//! That half difference is a vector in the field, and the primary's screws move
//! it as a secondary's screws move coma: the stage is a [`Footing`] whose
//! "coma" it is, in the same waves RMS and with the same limit.

use nalgebra::{Matrix2, Vector2};

use super::adjustment::Aim;
use super::orientation::Orientation;
use super::replay::{Eye, Footing, Step};
use super::response::Trust;
use super::screw::Screw;
use optics::alignment::{PerArcmin, per_arcmin, tilted};
use optics::prescription::Prescription;
use optics::trace::{ARCMIN_RAD, Lost, Part, Shift};
use optics::{ARCSEC_PER_RAD, REFERENCE_NM};

/// How far from the middle the four stars are asked for, arc minutes.
pub const EDGE_ARCMIN: f64 = 15.0;
/// How far out of focus they are asked for, waves: near enough that an oval
/// shows (common practice, no source).
pub const DEFOCUS_WAVES: f64 = 4.0;
/// 1-sigma of a donut's short over long diameter judged by eye (assumed).
pub const RATIO_SIGMA: f64 = 0.06;
/// How well the donut's width is known, as a share of it (assumed).
pub const WIDTH_SHARE: f64 = 0.2;
/// The least ratio that is taken: a star more drawn out than that is too near to
/// focus to be told, and wants twice the defocus.
pub const LEAST_RATIO: f64 = 0.3;

/// Width of a donut so far out of focus, arc seconds: 8 W020 lambda over the
/// aperture (check values, section 3).
pub fn width_arcsec(waves: f64, aperture_mm: f64) -> f64 {
    8.0 * waves * REFERENCE_NM * 1e-6 / aperture_mm * ARCSEC_PER_RAD
}

/// Waves of defocus of a donut so many arc seconds wide.
pub fn waves_of_width(arcsec: f64, aperture_mm: f64) -> f64 {
    arcsec / width_arcsec(1.0, aperture_mm)
}

/// Which way a donut is drawn out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Drawn {
    /// Round.
    Round,
    /// Its long diameter points to the middle of the field.
    ToTheMiddle,
    /// Its long diameter lies across that line.
    Across,
}

/// One star at the edge of the field, as told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Oval {
    /// Which way.
    pub drawn: Drawn,
    /// Short diameter over long one, 0 to 1.
    pub ratio: f64,
}

impl Oval {
    /// Astigmatism as it draws the donut out towards the middle, RMS waves,
    /// positive outside focus, at this defocus.
    ///
    /// The donut's half diameters are 4 N (W020 +- W222/2) about the mean focus
    /// (geometry), so W222 = 2 W020 (1 - q)/(1 + q), and RMS is W222 over the
    /// root of 24 (check values, section 2).
    pub fn astigmatism_waves(&self, w020: f64) -> f64 {
        let q = self.ratio.clamp(0.0, 1.0);
        let size = 2.0 * w020 * (1.0 - q) / (1.0 + q) / 24f64.sqrt();
        match self.drawn {
            Drawn::Round => 0.0,
            Drawn::ToTheMiddle => size,
            Drawn::Across => -size,
        }
    }
}

/// What four stars say: at 12, 3, 6 and 9 o'clock of the picture, all on the
/// same side of focus.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FourStars {
    /// Clockwise from the top.
    pub ovals: [Oval; 4],
    /// Whether they were looked at inside focus.
    pub inside: bool,
    /// How far out of focus, waves.
    pub defocus_waves: f64,
    /// How far from the middle, arc minutes.
    pub edge_arcmin: f64,
}

impl FourStars {
    /// The look they are.
    pub fn step(&self) -> Step {
        let (coma, sigma) = self.lean();
        Step::Look {
            coma,
            sigma,
            eye: Some(Eye {
                width_share: WIDTH_SHARE,
                air_waves: 0.0,
            }),
        }
    }

    /// Half the difference of opposite sides, x and y in the picture, at
    /// [`EDGE_ARCMIN`], waves RMS; and its 1-sigma per component.
    pub fn lean(&self) -> ([f64; 2], f64) {
        let sign = if self.inside { -1.0 } else { 1.0 };
        let scale = EDGE_ARCMIN / self.edge_arcmin;
        let [top, right, bottom, left] = self
            .ovals
            .map(|o| sign * scale * o.astigmatism_waves(self.defocus_waves));
        let lean = [(right - left) / 2.0, (top - bottom) / 2.0];
        // d/dq of 2 W (1 - q)/(1 + q) at q = 1 is W.
        let one = scale * self.defocus_waves * RATIO_SIGMA / 24f64.sqrt();
        let size = lean[0].hypot(lean[1]);
        (lean, (one / 2f64.sqrt()).hypot(WIDTH_SHARE * size))
    }
}

/// Astigmatism that draws the donut out towards the middle of the field, RMS
/// waves, of a star that stands `place` (unit vector, in the frame of the
/// pupil) of the middle, where a star stands at the field angle `middle`.
fn drawn_to_middle(
    of: &Prescription,
    shifts: &[Shift],
    middle: Vector2<f64>,
    place: Vector2<f64>,
    edge_arcmin: f64,
) -> Result<f64, Lost> {
    let step = edge_arcmin * ARCMIN_RAD;
    // Which way of the sky brings the star to that side of the picture.
    let there = of.system.image(shifts, middle + place * step)?.place_mm;
    let sky = if there.dot(&place) < 0.0 {
        -place
    } else {
        place
    };
    let w = of.system.image(shifts, middle + sky * step)?.wavefront;
    // Z6 ~ cos 2t, Z5 ~ sin 2t: turned to the line through the middle.
    let angle = 2.0 * place.y.atan2(place.x);
    Ok(w.get(6) * angle.cos() + w.get(5) * angle.sin())
}

/// The lean that four stars would show with these shifts, pupil's frame, waves
/// RMS at `edge_arcmin`.
///
/// # Errors
/// [`Lost`] when a ray does not get through.
pub fn lean_of(
    of: &Prescription,
    shifts: &[Shift],
    edge_arcmin: f64,
) -> Result<Vector2<f64>, Lost> {
    let middle = of.system.centred_field(shifts)?;
    let side = |p: Vector2<f64>| drawn_to_middle(of, shifts, middle, p, edge_arcmin);
    Ok(Vector2::new(
        side(Vector2::x())? - side(-Vector2::x())?,
        side(Vector2::y())? - side(-Vector2::y())?,
    ) / 2.0)
}

/// How far the secondary must tilt (arc minutes) for each arc minute of the
/// primary's so that the middle of the field keeps its coma.
///
/// # Errors
/// [`Lost`] when a ray does not get through.
pub fn made_good(of: &Prescription) -> Result<Matrix2<f64>, Lost> {
    let one = per_arcmin(of, Part::Primary)?.ok_or(Lost)?;
    made_good_by(of, &one)
}

fn made_good_by(of: &Prescription, one: &PerArcmin) -> Result<Matrix2<f64>, Lost> {
    let two = per_arcmin(of, Part::Secondary)?.ok_or(Lost)?;
    Ok(two.coma_centred.try_inverse().ok_or(Lost)? * one.coma_centred * -1.0)
}

/// How the lean at [`EDGE_ARCMIN`] changes for each arc minute of the primary's
/// tilt, once the secondary has been done again: columns are tilts that raise
/// its side at 3 and at 12 o'clock, rows x and y, waves RMS.
///
/// # Errors
/// [`Lost`] when a ray does not get through.
pub fn lean_per_arcmin(of: &Prescription) -> Result<Matrix2<f64>, Lost> {
    lean_by(of, made_good(of)?)
}

fn lean_by(of: &Prescription, undo: Matrix2<f64>) -> Result<Matrix2<f64>, Lost> {
    let vertex = |part| of.vertex_mm(part).ok_or(Lost);
    let (primary, secondary) = (vertex(Part::Primary)?, vertex(Part::Secondary)?);
    let mut answer = Matrix2::zeros();
    for (column, way) in [Vector2::x(), Vector2::y()].into_iter().enumerate() {
        let at = |sign: f64| {
            let way = way * sign;
            let shifts = [
                tilted(Part::Primary, primary, way),
                tilted(Part::Secondary, secondary, undo * way),
            ];
            lean_of(of, &shifts, EDGE_ARCMIN)
        };
        answer.set_column(column, &((at(1.0)? - at(-1.0)?) / 2.0));
    }
    Ok(answer)
}

/// The stage's footing: the primary's screws, and how the picture lies as the
/// stage at the star has found out.
///
/// # Errors
/// [`Lost`] when a ray does not get through.
pub fn footing(
    of: &Prescription,
    screws: Vec<Screw>,
    lies: Option<Orientation>,
    diagonal: bool,
    threshold_waves: f64,
) -> Result<Footing, Lost> {
    let one = per_arcmin(of, Part::Primary)?.ok_or(Lost)?;
    let lean = lean_by(of, made_good_by(of, &one)?)?;
    Ok(Footing {
        screws,
        per_arcmin: PerArcmin {
            coma: lean,
            coma_centred: lean,
            w131: [Matrix2::zeros(); 2],
            jump_mm: one.jump_mm,
        },
        learnt: None,
        on_the_tube: false,
        lies: lies.map(|found| found.by_side_of_focus()),
        sign_by_side: true,
        diagonal,
        focal_mm: of.numbers.focal_mm,
        aim: Aim {
            threshold_waves,
            confidence: 0.9,
            // Each turn puts the middle out of line.
            sigmas_to_turn: 2.0,
        },
        trust: Trust::default(),
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::adjustment::PARTS;
    use crate::advice::{Next, Why};
    use crate::orientation::Map;
    use crate::replay::SessionReplay;
    use crate::screw::{Element, Mechanism, tilt_per_turn};
    use nalgebra::DVector;
    use optics::prescription::{Layout, Numbers};

    fn ritchey() -> Prescription {
        let n = Numbers::usual(Layout::RitcheyChretien, 203.0, 1624.0);
        Prescription::new(Layout::RitcheyChretien, n).unwrap()
    }

    fn screws() -> Vec<Screw> {
        [30.0, 150.0, 270.0]
            .map(|clock_deg| Screw {
                label: String::new(),
                element: Element::Primary,
                clock_deg,
                pitch_mm: 0.7,
                lever_mm: 128.0,
                mechanism: Mechanism::PushPull,
            })
            .to_vec()
    }

    /// In line it is even; a lean of the primary shows as astigmatism that is
    /// linear in the field and in the lean, and turns with it (binodal
    /// astigmatism: Thompson, JOSA A 22, 1389 (2005)).
    #[test]
    fn the_primarys_lean_shows_linearly_across_the_field() {
        let rc = ritchey();
        assert!(lean_of(&rc, &[], EDGE_ARCMIN).unwrap().norm() < 1e-6);
        let per = lean_per_arcmin(&rc).unwrap();
        assert!(per[(0, 0)].abs() > 1e-3, "{per}");
        assert!((per[(0, 0)] - per[(1, 1)]).abs() < 0.02 * per[(0, 0)].abs());
        assert!(per[(0, 1)].abs() < 0.02 * per[(0, 0)].abs());
        let undo = made_good(&rc).unwrap();
        let at = |arcmin: f64, edge: f64| {
            let way = Vector2::new(arcmin, 0.0);
            let shifts = [
                tilted(Part::Primary, rc.vertex_mm(Part::Primary).unwrap(), way),
                tilted(
                    Part::Secondary,
                    rc.vertex_mm(Part::Secondary).unwrap(),
                    undo * way,
                ),
            ];
            lean_of(&rc, &shifts, edge).unwrap()
        };
        let (one, ten, near) = (at(1.0, 15.0), at(10.0, 15.0), at(10.0, 7.5));
        assert!((ten.x / one.x - 10.0).abs() < 0.1, "{one} {ten}");
        assert!((ten.x / near.x - 2.0).abs() < 0.02, "{ten} {near}");
    }

    /// A primary that leans by a hidden amount, a picture that lies anyhow, ovals
    /// told to a tenth: the screws named bring it in, and no turn is over a
    /// quarter. The star's stage between is taken as done.
    #[test]
    fn the_advice_brings_a_leaning_primary_in() {
        let rc = ritchey();
        let undo = made_good(&rc).unwrap();
        let tilts = tilt_per_turn(&screws());
        for (turn_deg, mirrored, lean, inside) in [
            (0.0, false, Vector2::new(9.0, -4.0), false),
            (140.0, true, Vector2::new(-6.0, 8.0), true),
            (250.0, false, Vector2::new(2.0, 12.0), false),
        ] {
            let map = Map { turn_deg, mirrored };
            let setup =
                footing(&rc, screws(), Some(Orientation::known(map)), false, 0.071).unwrap();
            let mut course = SessionReplay::new(setup);
            let mut tilt = lean;
            let (mut adjustments, start) = (0, lean.norm());
            let why = loop {
                match course.next() {
                    Next::Look { .. } => {
                        let shifts = [
                            tilted(Part::Primary, rc.vertex_mm(Part::Primary).unwrap(), tilt),
                            tilted(
                                Part::Secondary,
                                rc.vertex_mm(Part::Secondary).unwrap(),
                                undo * tilt,
                            ),
                        ];
                        let middle = rc.system.centred_field(&shifts).unwrap();
                        let ovals =
                            [(0.0, 1.0), (1.0, 0.0), (0.0, -1.0), (-1.0, 0.0)].map(|(x, y)| {
                                let place = map.matrix().transpose() * Vector2::new(x, y);
                                let a = drawn_to_middle(&rc, &shifts, middle, place, 15.0).unwrap()
                                    * if inside { -1.0 } else { 1.0 };
                                let w = a.abs() * 24f64.sqrt() / (2.0 * DEFOCUS_WAVES);
                                let ratio = ((1.0 - w) / (1.0 + w) * 10.0).round() / 10.0;
                                let drawn = if ratio > 0.95 {
                                    Drawn::Round
                                } else if a > 0.0 {
                                    Drawn::ToTheMiddle
                                } else {
                                    Drawn::Across
                                };
                                Oval { drawn, ratio }
                            });
                        let stars = FourStars {
                            ovals,
                            inside,
                            defocus_waves: DEFOCUS_WAVES,
                            edge_arcmin: 15.0,
                        };
                        course.take(&stars.step());
                    }
                    Next::Turn(adjustment) => {
                        adjustments += 1;
                        assert!(adjustments < 12, "{turn_deg}");
                        assert!(adjustment.parts.iter().all(|p| p.abs() <= PARTS));
                        tilt += &tilts * DVector::from_vec(adjustment.turns());
                        course.take(&Step::Adjustment {
                            parts: adjustment.parts,
                            jump_deg: None,
                            tension: Vec::new(),
                        });
                    }
                    Next::Stop(stop) => break stop.why,
                }
            };
            assert!(why == Why::InLine || why == Why::Unseen);
            let left = (lean_per_arcmin(&rc).unwrap() * tilt).norm();
            // Ovals told to a tenth say no more than this.
            assert!(left < 0.075, "{left} {adjustments} {start} {}", tilt.norm());
        }
    }

    /// Four waves out, half as long again as wide towards the middle:
    /// W222 = 8 (1 - 2/3)/(1 + 2/3) = 1.6 waves, 0.327 RMS (worked by hand).
    #[test]
    fn an_oval_is_read_as_astigmatism() {
        let oval = Oval {
            drawn: Drawn::ToTheMiddle,
            ratio: 2.0 / 3.0,
        };
        assert!((oval.astigmatism_waves(4.0) - 0.3266).abs() < 1e-4);
        let round = Oval {
            drawn: Drawn::Round,
            ratio: 1.0,
        };
        let stars = FourStars {
            ovals: [
                round,
                oval,
                round,
                Oval {
                    drawn: Drawn::Across,
                    ..oval
                },
            ],
            inside: false,
            defocus_waves: 4.0,
            edge_arcmin: 15.0,
        };
        let (lean, sigma) = stars.lean();
        assert!((lean[0] - 0.3266).abs() < 1e-4 && lean[1] == 0.0);
        assert!(sigma > 0.03 && sigma < 0.1);
        let inside = FourStars {
            inside: true,
            ..stars
        };
        assert!((inside.lean().0[0] + 0.3266).abs() < 1e-4);
    }
}
