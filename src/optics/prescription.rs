//! An instrument's optics from the few numbers a club knows.
//!
//! Two-mirror relations (Schroeder, *Astronomical Optics*, ch. 2 and 6; D. J.
//! Schroeder's m, k and beta): m = f/f1, k = (1 + beta)/(m + 1),
//! R2 = 2 k f1 m/(m - 1), separation f1 (1 - k), beta the back focus over f1.
//! What no formula gives (a Schmidt plate's figure, a meniscus, an objective)
//! is solved with the exact trace.

use nalgebra::{DMatrix, DVector, Matrix3, Vector2, Vector3};

use super::trace::{Action, Lost, Part, Surface, System};

/// How an instrument is laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Layout {
    /// Paraboloid and flat.
    Newtonian,
    /// Two spheres behind a Schmidt plate.
    SchmidtCassegrain,
    /// The same with a figured secondary, so that the field has no coma.
    AplanaticSchmidtCassegrain,
    /// Meniscus with an aluminised spot, spherical primary (Gregory's form).
    MaksutovCassegrain,
    /// Paraboloid and hyperboloid.
    ClassicalCassegrain,
    /// Two hyperboloids without field coma.
    RitcheyChretien,
    /// Air-spaced two-lens objective, crown first.
    Refractor,
}

impl Layout {
    /// Whether no glass closes the tube: the primary mirror, its vertex at z = 0,
    /// limits the beam then.
    pub const fn open_in_front(self) -> bool {
        matches!(
            self,
            Self::Newtonian | Self::ClassicalCassegrain | Self::RitcheyChretien
        )
    }
}

/// The numbers a prescription is made of.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Numbers {
    /// Clear aperture, mm.
    pub aperture_mm: f64,
    /// Focal length of the whole, mm.
    pub focal_mm: f64,
    /// Focal ratio of the primary mirror alone (its own, for a Newtonian and a
    /// refractor without meaning).
    pub primary_ratio: f64,
    /// From the primary's vertex back to the focus, mm (a Newtonian: from the
    /// flat across to the focus).
    pub back_focus_mm: f64,
}

impl Numbers {
    /// What is usual where a club knows no more than aperture and focal length
    /// (common practice, no source): primaries of F/2 in Schmidt-Cassegrains,
    /// F/3 in Ritchey-Chretiens, a third of the system's ratio in classical
    /// Cassegrains; the focus behind the primary by 0.5, 0.55 and 0.25 of the
    /// primary's focal length.
    pub fn usual(layout: Layout, aperture_mm: f64, focal_mm: f64) -> Self {
        let ratio = focal_mm / aperture_mm;
        let (primary_ratio, back) = match layout {
            Layout::SchmidtCassegrain | Layout::AplanaticSchmidtCassegrain => {
                (2.0f64.min(ratio / 2.5), 0.5)
            }
            Layout::RitcheyChretien => (3.0f64.min(ratio / 2.0), 0.55),
            Layout::ClassicalCassegrain => ((ratio / 3.0).max(2.5).min(ratio / 2.0), 0.25),
            Layout::MaksutovCassegrain => {
                return Self {
                    aperture_mm,
                    focal_mm,
                    primary_ratio: TOY.primary_mm / 2.0 / TOY.aperture_mm,
                    back_focus_mm: TOY.back_focus_mm * aperture_mm / TOY.aperture_mm,
                };
            }
            Layout::Newtonian => {
                return Self {
                    aperture_mm,
                    focal_mm,
                    primary_ratio: ratio,
                    back_focus_mm: aperture_mm / 2.0 + 90.0,
                };
            }
            Layout::Refractor => (ratio, 0.0),
        };
        Self {
            aperture_mm,
            focal_mm,
            primary_ratio,
            back_focus_mm: back * primary_ratio * aperture_mm,
        }
    }
}

/// Index of BK7 at 550 nm (Schott's dispersion formula).
pub const BK7: f64 = 1.518_72;
/// Index of F2 at 550 nm (Schott's dispersion formula).
pub const F2: f64 = 1.623_42;
/// (n - 1) over n_F - n_C: Abbe numbers by Schott's catalogue, 64.17 and 36.37,
/// taken at 550 nm with the same dispersion.
const ABBE: [f64; 2] = [64.41, 36.54];

/// Why no prescription came of the numbers.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Impossible {
    /// The numbers contradict each other.
    #[error("{0}")]
    Numbers(&'static str),
    /// No surfaces could be found for them.
    #[error(
        "no optics of this design fit these numbers; check focal length, primary ratio and back focus"
    )]
    Unsolved,
}

impl From<Lost> for Impossible {
    fn from(_: Lost) -> Self {
        Self::Unsolved
    }
}

/// The optics of one instrument.
#[derive(Debug, Clone, PartialEq)]
pub struct Prescription {
    /// Its layout.
    pub layout: Layout,
    /// What it was made of.
    pub numbers: Numbers,
    /// Its surfaces.
    pub system: System,
}

impl Prescription {
    /// Makes the optics.
    ///
    /// # Errors
    /// [`Impossible`] says what does not fit.
    pub fn new(layout: Layout, numbers: Numbers) -> Result<Self, Impossible> {
        let n = numbers;
        let all = [n.aperture_mm, n.focal_mm, n.primary_ratio];
        if !all.iter().all(|x| x.is_finite() && *x > 0.0) || !n.back_focus_mm.is_finite() {
            return Err(Impossible::Numbers(
                "aperture, focal length and primary ratio must be above 0",
            ));
        }
        let system = match layout {
            Layout::Newtonian => newtonian(n)?,
            Layout::Refractor => refractor(n)?,
            Layout::MaksutovCassegrain => maksutov(n)?,
            _ => two_mirrors(layout, n)?,
        };
        Ok(Self {
            layout,
            numbers,
            system,
        })
    }

    /// Focal ratio.
    pub fn focal_ratio(&self) -> f64 {
        self.numbers.focal_mm / self.numbers.aperture_mm
    }

    /// The vertex of an element: about which it tilts unless told otherwise.
    pub fn vertex_mm(&self, part: Part) -> Option<Vector3<f64>> {
        let surfaces = &self.system.surfaces;
        surfaces
            .iter()
            .find(|s| s.part == part)
            .map(|s| s.vertex_mm)
    }
}

/// A system whose light runs along the tube and comes to focus at z.
fn along_axis(surfaces: Vec<Surface>, aperture_mm: f64, stop_z_mm: f64, focus_z: f64) -> System {
    System {
        surfaces,
        aperture_radius_mm: aperture_mm / 2.0,
        stop_z_mm,
        vergence_per_mm: 0.0,
        focus_mm: Vector3::new(0.0, 0.0, focus_z),
        image_axes: Matrix3::from_columns(&[Vector3::x(), Vector3::y(), -Vector3::z()]),
    }
}

/// The flat throws the light towards the tube's 3 o'clock.
fn newtonian(n: Numbers) -> Result<System, Impossible> {
    let before = n.focal_mm - n.back_focus_mm;
    if before <= 0.0 {
        return Err(Impossible::Numbers(
            "the flat must stand nearer to the primary than its focus",
        ));
    }
    let primary =
        Surface::new(Part::Primary, 0.0, 2.0 * n.focal_mm, Action::Mirror).with_conic(-1.0);
    let mut flat = Surface::new(Part::Flat, before, f64::INFINITY, Action::Mirror);
    // Its normal halves the angle between -z and +x.
    let half = std::f64::consts::FRAC_1_SQRT_2;
    let normal = Vector3::new(half, 0.0, -half);
    let x = Vector3::y().cross(&normal);
    flat.axes = Matrix3::from_columns(&[x, Vector3::y(), normal]);
    let mirrored = |v: Vector3<f64>| v - normal * (2.0 * v.dot(&normal));
    Ok(System {
        surfaces: vec![primary, flat],
        aperture_radius_mm: n.aperture_mm / 2.0,
        stop_z_mm: before,
        vergence_per_mm: 0.0,
        focus_mm: Vector3::new(n.back_focus_mm, 0.0, before),
        image_axes: Matrix3::from_columns(&[
            mirrored(Vector3::x()),
            mirrored(Vector3::y()),
            mirrored(Vector3::z()),
        ]),
    })
}

fn two_mirrors(layout: Layout, n: Numbers) -> Result<System, Impossible> {
    let f1 = n.primary_ratio * n.aperture_mm;
    let m = n.focal_mm / f1;
    let beta = n.back_focus_mm / f1;
    if m <= 1.2 {
        return Err(Impossible::Numbers(
            "the primary's ratio must be well below that of the whole",
        ));
    }
    let k = (1.0 + beta) / (m + 1.0);
    if !(0.05..0.75).contains(&k) {
        return Err(Impossible::Numbers(
            "with this back focus the secondary would stand too near to the primary or to its focus",
        ));
    }
    let apart = f1 * (1.0 - k);
    let r2 = 2.0 * k * f1 * m / (m - 1.0);
    let ratio2 = ((m + 1.0) / (m - 1.0)).powi(2);
    let mirrors = |k1: f64, k2: f64| {
        vec![
            Surface::new(Part::Primary, 0.0, 2.0 * f1, Action::Mirror).with_conic(k1),
            Surface::new(Part::Secondary, apart, r2, Action::Mirror).with_conic(k2),
        ]
    };
    let whole = |surfaces| {
        along_axis(
            surfaces,
            n.aperture_mm,
            apart + 0.13 * n.aperture_mm,
            -n.back_focus_mm,
        )
    };
    match layout {
        Layout::ClassicalCassegrain => Ok(whole(mirrors(-1.0, -ratio2))),
        Layout::RitcheyChretien => {
            let k1 = -1.0 - 2.0 * (1.0 + beta) / (m * m * (m - beta));
            let k2 = -ratio2 - 2.0 * m * (m + 1.0) / ((m - beta) * (m - 1.0).powi(3));
            Ok(whole(mirrors(k1, k2)))
        }
        _ => {
            let plated = |k2: f64| -> Result<System, Impossible> {
                let t = n.aperture_mm / 40.0;
                let back = apart + n.aperture_mm / 10.0;
                let mut surfaces = vec![
                    Surface::new(Part::Plate, back + t, f64::INFINITY, Action::Refract(BK7)),
                    Surface::new(Part::Plate, back, f64::INFINITY, Action::Refract(1.0)),
                ];
                surfaces.extend(mirrors(0.0, k2));
                let mut system = whole(surfaces);
                figure_plate(&mut system, 1)?;
                Ok(system)
            };
            if layout == Layout::SchmidtCassegrain {
                return plated(0.0);
            }
            // The secondary's conic that leaves no coma in the field: a secant.
            let coma = |system: &System| -> Result<f64, Impossible> {
                let field = Vector2::new(0.0, 10.0 * super::trace::ARCMIN_RAD);
                Ok(system.image(&[], field)?.wavefront.get(7))
            };
            let (mut a, mut b) = (0.0, -1.0);
            let mut at_a = coma(&plated(a)?)?;
            for _ in 0..12 {
                let system = plated(b)?;
                let at_b = coma(&system)?;
                if at_b.abs() < 1e-5 {
                    return Ok(system);
                }
                let next = b - at_b * (b - a) / (at_b - at_a);
                (a, at_a, b) = (b, at_b, next);
                if !b.is_finite() {
                    break;
                }
            }
            Err(Impossible::Unsolved)
        }
    }
}

/// Figures the surface so that all rays of a star on the axis meet.
fn figure_plate(system: &mut System, surface: usize) -> Result<(), Impossible> {
    let heights = [0.2, 0.35, 0.5, 0.6, 0.7, 0.8, 0.87, 0.94, 1.0];
    let a = system.aperture_radius_mm;
    let scale = [4, 6, 8].map(|power| 1e-3 / a.powi(power));
    for _ in 0..6 {
        let here = system.meridian(&heights)?;
        let mut slopes = DMatrix::zeros(heights.len(), 3);
        for c in 0..3 {
            let mut other = system.clone();
            other.surfaces[surface].asphere[c] += scale[c];
            for (r, y) in other.meridian(&heights)?.iter().enumerate() {
                slopes[(r, c)] = y - here[r];
            }
        }
        let step = slopes
            .svd(true, true)
            .solve(&DVector::from_vec(here), 1e-12)
            .map_err(|_| Impossible::Unsolved)?;
        for c in 0..3 {
            system.surfaces[surface].asphere[c] -= step[c] * scale[c];
        }
    }
    let left = system.meridian(&heights)?;
    if left.iter().all(|y| y.abs() < 2e-3) {
        Ok(())
    } else {
        Err(Impossible::Unsolved)
    }
}

/// A Gregory-Maksutov from which others are drawn out (check values of the
/// project: F/11.5, 4.7 nm RMS in line; one wavelength only).
struct Toy {
    aperture_mm: f64,
    front_mm: f64,
    back_mm: f64,
    thickness_mm: f64,
    back_z_mm: f64,
    primary_mm: f64,
    focal_mm: f64,
    back_focus_mm: f64,
}

const TOY: Toy = Toy {
    aperture_mm: 150.0,
    front_mm: 320.734,
    back_mm: 346.579,
    thickness_mm: 15.0,
    back_z_mm: 329.256,
    primary_mm: 880.0,
    focal_mm: 1727.0,
    back_focus_mm: 110.0,
};

/// A Gregory-Maksutov of given surfaces: both of the meniscus are concave to
/// the sky, and the spot is part of its back.
pub fn gregory(
    aperture_mm: f64,
    [front_mm, back_mm, thickness_mm]: [f64; 3],
    back_z_mm: f64,
    primary_mm: f64,
    back_focus_mm: f64,
) -> System {
    let surfaces = vec![
        Surface::new(
            Part::Meniscus,
            back_z_mm + thickness_mm,
            front_mm,
            Action::Refract(BK7),
        ),
        Surface::new(Part::Meniscus, back_z_mm, back_mm, Action::Refract(1.0)),
        Surface::new(Part::Primary, 0.0, primary_mm, Action::Mirror),
        Surface::new(Part::Meniscus, back_z_mm, back_mm, Action::Mirror),
    ];
    along_axis(
        surfaces,
        aperture_mm,
        back_z_mm + thickness_mm,
        -back_focus_mm,
    )
}

/// Radii and distance that give the focal length, the back focus and no
/// spherical aberration, followed from the known one step by step.
fn maksutov(n: Numbers) -> Result<System, Impossible> {
    let scale = n.aperture_mm / TOY.aperture_mm;
    let bend = (TOY.back_mm - TOY.front_mm) * scale;
    let build = |x: &[f64], back_focus: f64| {
        let radii = [x[0], x[0] + bend, TOY.thickness_mm * scale];
        gregory(n.aperture_mm, radii, x[1], x[2], back_focus)
    };
    let from = [TOY.focal_mm * scale, TOY.back_focus_mm * scale];
    let steps = 12;
    let mut x = [
        TOY.front_mm * scale,
        TOY.back_z_mm * scale,
        TOY.primary_mm * scale,
    ];
    for i in 1..=steps {
        let t = f64::from(i) / f64::from(steps);
        let focal = from[0] + t * (n.focal_mm - from[0]);
        let back = from[1] + t * (n.back_focus_mm - from[1]);
        solve(&mut x, |x| {
            let system = build(x, back);
            let (f, beyond) = system.paraxial()?;
            // Defocus-balanced spherical aberration of a star on the axis.
            let a11 = system.image(&[], Vector2::zeros())?.wavefront.get(11);
            Ok([f / focal - 1.0, beyond / focal, a11])
        })?;
    }
    let mut system = build(&x, n.back_focus_mm);
    refocus(&mut system)?;
    Ok(system)
}

/// A crown lens in front of a flint, free of colour, spherical aberration and
/// coma by third order and above.
fn refractor(n: Numbers) -> Result<System, Impossible> {
    let (f, t) = (n.focal_mm, n.aperture_mm / 10.0);
    let power = |lens: usize, glass: f64| {
        let other = 1 - lens;
        ABBE[lens] / (ABBE[lens] - ABBE[other]) / f / (glass - 1.0)
    };
    let (crown, flint) = (power(0, BK7), power(1, F2));
    // Curvatures are positive where concave to the sky: the first is negative.
    let build = |x: &[f64]| {
        let (c1, c3, share) = (x[0] / f, x[1] / f, x[2]);
        let c = [c1, c1 + crown * share, c3, c3 + flint * share];
        let gap = n.aperture_mm / 400.0;
        let z = [0.0, -t, -t - gap, -t - gap - 0.7 * t];
        let index = [BK7, 1.0, F2, 1.0];
        let surfaces = (0..4)
            .map(|i| {
                let part = if i < 2 { Part::Crown } else { Part::Flint };
                Surface::new(part, z[i], 1.0 / c[i], Action::Refract(index[i]))
            })
            .collect();
        along_axis(surfaces, n.aperture_mm, 0.0, -f)
    };
    let mut x = [-1.65, 2.7, 1.0];
    solve(&mut x, |x| {
        let mut system = build(x);
        let (focal, _) = system.paraxial()?;
        refocus(&mut system)?;
        let a11 = system.image(&[], Vector2::zeros())?.wavefront.get(11);
        let field = Vector2::new(0.0, 20.0 * super::trace::ARCMIN_RAD);
        let coma = system.image(&[], field)?.wavefront.get(7);
        Ok([focal / f - 1.0, a11, coma])
    })?;
    let mut system = build(&x);
    refocus(&mut system)?;
    Ok(system)
}

/// Puts the picture where the best image of a star on the axis lies.
fn refocus(system: &mut System) -> Result<(), Impossible> {
    let along: Vector3<f64> = system.image_axes.column(2).into();
    let (_, beyond) = system.paraxial()?;
    system.focus_mm += along * beyond;
    for _ in 0..3 {
        let ratio = system.paraxial()?.0 / (2.0 * system.aperture_radius_mm);
        let a4 = system.image(&[], Vector2::zeros())?.wavefront.get(4);
        let w020_mm = super::wavefront::w020_from_a4(a4) * super::REFERENCE_NM * 1e-6;
        system.focus_mm -= along * (w020_mm * 8.0 * ratio * ratio);
    }
    Ok(())
}

/// Newton's method with differences; the step is halved while it goes wrong.
fn solve<const N: usize>(
    x: &mut [f64; N],
    of: impl Fn(&[f64]) -> Result<[f64; N], Impossible>,
) -> Result<(), Impossible> {
    let size = |r: &[f64; N]| r.iter().map(|v| v * v).sum::<f64>().sqrt();
    let mut here = of(x)?;
    for _ in 0..40 {
        if size(&here) < 1e-7 {
            return Ok(());
        }
        let mut slopes = DMatrix::zeros(N, N);
        for c in 0..N {
            let mut other = *x;
            let step = 1e-5 * x[c].abs().max(1e-3);
            other[c] += step;
            for (r, v) in of(&other)?.iter().enumerate() {
                slopes[(r, c)] = (v - here[r]) / step;
            }
        }
        let step = slopes
            .lu()
            .solve(&DVector::from_row_slice(&here))
            .ok_or(Impossible::Unsolved)?;
        let mut share = 1.0;
        loop {
            let mut next = *x;
            for c in 0..N {
                next[c] -= share * step[c];
            }
            match of(&next) {
                Ok(there) if size(&there) < size(&here) => {
                    (*x, here) = (next, there);
                    break;
                }
                _ if share > 1e-3 => share /= 2.0,
                _ if size(&here) < 1e-4 => return Ok(()),
                _ => return Err(Impossible::Unsolved),
            }
        }
    }
    Err(Impossible::Unsolved)
}
