//! Exact ray trace through mirrors and lenses, each free to be moved.
//!
//! Lengths in mm. Light comes from +z and runs towards -z; someone who stands in
//! front of the tube, facing it, looks along -z and sees x to the right and y
//! up, so that (x, y) are the tube's clock positions: x = sin(clock),
//! y = cos(clock). A radius is positive where the surface is concave to +z.
//!
//! Wavefronts come out in the convention of [`super`]: over the entrance pupil,
//! W020 positive outside focus, (u, v) = (x, y). A displacement in the image is
//! given turned by half a turn against the detector, which is how the pupil
//! lies in a picture taken outside focus; so coma and the star's jump share one
//! frame.

use nalgebra::{Matrix2, Matrix3, Rotation3, Vector2, Vector3};
use std::f64::consts::{PI, TAU};

use super::{REFERENCE_NM, wavefront::Wavefront, zernike};

/// What a surface belongs to; the parts of one element move together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Part {
    /// Schmidt plate.
    Plate,
    /// Meniscus, with the mirror spot on its back.
    Meniscus,
    /// Primary mirror.
    Primary,
    /// Secondary mirror that forms the image.
    Secondary,
    /// A Newtonian's flat.
    Flat,
    /// The first lens of an objective.
    Crown,
    /// The second lens of an objective.
    Flint,
}

/// What a surface does to a ray.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Action {
    /// Reflects it.
    Mirror,
    /// Refracts it into a medium of this index.
    Refract(f64),
}

/// A surface of revolution: sag = c r^2 / (1 + sqrt(1 - (1 + K) c^2 r^2)) +
/// even powers.
#[derive(Debug, Clone, PartialEq)]
pub struct Surface {
    /// What it belongs to.
    pub part: Part,
    /// Vertex.
    pub vertex_mm: Vector3<f64>,
    /// Turns the surface's own axes into the tube's (identity but for a flat).
    pub axes: Matrix3<f64>,
    /// Curvature 1/R, 1/mm.
    pub curvature_per_mm: f64,
    /// Conic constant.
    pub conic: f64,
    /// Coefficients of r^4, r^6, r^8 (mm^-3, mm^-5, mm^-7).
    pub asphere: [f64; 3],
    /// What it does.
    pub action: Action,
}

impl Surface {
    /// A surface about the tube's axis; `radius_mm` infinite for a plane.
    pub fn new(part: Part, z_mm: f64, radius_mm: f64, action: Action) -> Self {
        Self {
            part,
            vertex_mm: Vector3::new(0.0, 0.0, z_mm),
            axes: Matrix3::identity(),
            curvature_per_mm: 1.0 / radius_mm,
            conic: 0.0,
            asphere: [0.0; 3],
            action,
        }
    }

    /// The same with a conic constant.
    #[must_use]
    pub fn with_conic(mut self, conic: f64) -> Self {
        self.conic = conic;
        self
    }

    /// The same with even powers.
    #[must_use]
    pub fn with_asphere(mut self, asphere: [f64; 3]) -> Self {
        self.asphere = asphere;
        self
    }

    /// Sag and its derivative by r^2.
    fn sag(&self, r2: f64) -> (f64, f64) {
        let c = self.curvature_per_mm;
        let root = (1.0 - (1.0 + self.conic) * c * c * r2).max(1e-12).sqrt();
        let [a4, a6, a8] = self.asphere;
        (
            c * r2 / (1.0 + root) + r2 * r2 * (a4 + r2 * (a6 + r2 * a8)),
            c / (2.0 * root) + r2 * (2.0 * a4 + r2 * (3.0 * a6 + r2 * 4.0 * a8)),
        )
    }
}

/// How one element stands out of its place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shift {
    /// Which element.
    pub part: Part,
    /// About which point it tilts, mm.
    pub pivot_mm: Vector3<f64>,
    /// Tilt, radians: a point at (x, y) from the pivot rises towards the sky by
    /// tilt . (x, y).
    pub tilt_rad: Vector2<f64>,
    /// Displacement across the axis, mm.
    pub decentre_mm: Vector2<f64>,
}

/// A system of surfaces and the place of its picture.
#[derive(Debug, Clone, PartialEq)]
pub struct System {
    /// In the order in which light meets them.
    pub surfaces: Vec<Surface>,
    /// Half the clear aperture, mm.
    pub aperture_radius_mm: f64,
    /// Where the beam is limited, z in mm.
    pub stop_z_mm: f64,
    /// One over the source's distance from there, 1/mm: 0 for a star.
    pub vergence_per_mm: f64,
    /// The middle of the eyepiece or sensor.
    pub focus_mm: Vector3<f64>,
    /// The picture's axes: where the tube's x and y come to lie (columns), and
    /// the direction of the light there.
    pub image_axes: Matrix3<f64>,
}

/// One ray: a point, a direction, the optical path so far, the index it runs in.
#[derive(Debug, Clone, Copy)]
struct Ray {
    at: Vector3<f64>,
    along: Vector3<f64>,
    path: f64,
    index: f64,
}

/// A ray missed a surface or was totally reflected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a ray does not get through the instrument as described")]
pub struct Lost;

/// Nodes and weights of Gauss-Legendre quadrature with six points on (0, 1),
/// for integrals over r^2 (Abramowitz & Stegun, table 25.4).
const RADIAL: [(f64, f64); 6] = [
    (0.033_765_242_898_423_99, 0.085_662_246_189_585_17),
    (0.169_395_306_766_867_74, 0.180_380_786_524_069_3),
    (0.380_690_406_958_401_5, 0.233_956_967_286_345_52),
    (0.619_309_593_041_598_5, 0.233_956_967_286_345_52),
    (0.830_604_693_233_132_3, 0.180_380_786_524_069_3),
    (0.966_234_757_101_576, 0.085_662_246_189_585_17),
];
const ANGLES: u32 = 16;

/// What a pencil of rays makes of a star.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Image {
    /// Noll coefficients, waves at 550 nm, defocus included.
    pub wavefront: Wavefront,
    /// The r^3 term of coma in a power series that has an r^5 term beside it, x
    /// and y, waves at 550 nm at the rim: what third-order theory calls W131.
    pub w131: Vector2<f64>,
    /// Where the light's middle falls, mm from the middle of the picture, in
    /// the frame of the pupil (see the module's head).
    pub place_mm: Vector2<f64>,
}

impl System {
    /// The surfaces with the given shifts applied, as (vertex, axes).
    fn poses(&self, shifts: &[Shift]) -> Vec<(Vector3<f64>, Matrix3<f64>)> {
        self.surfaces
            .iter()
            .map(|s| {
                let mut pose = (s.vertex_mm, s.axes);
                for shift in shifts.iter().filter(|shift| shift.part == s.part) {
                    let g = shift.tilt_rad;
                    let turn = Rotation3::new(Vector3::new(g.y, -g.x, 0.0));
                    let d = shift.decentre_mm;
                    pose.0 = shift.pivot_mm
                        + turn * (pose.0 - shift.pivot_mm)
                        + Vector3::new(d.x, d.y, 0.0);
                    pose.1 = turn.matrix() * pose.1;
                }
                pose
            })
            .collect()
    }

    /// One ray through the pupil point (u, v) from a star `field_rad` off the
    /// axis (the direction *towards* the star, from the middle of the stop, leans
    /// to field_rad).
    fn ray(
        &self,
        poses: &[(Vector3<f64>, Matrix3<f64>)],
        [u, v]: [f64; 2],
        field_rad: Vector2<f64>,
    ) -> Result<Ray, Lost> {
        let a = self.aperture_radius_mm;
        let middle = Vector3::new(0.0, 0.0, self.stop_z_mm);
        let at = Vector3::new(u * a, v * a, self.stop_z_mm);
        let towards = Vector3::new(field_rad.x, field_rad.y, 1.0);
        let (along, path) = if self.vergence_per_mm == 0.0 {
            let along = -towards.normalize();
            (along, along.dot(&(at - middle)))
        } else {
            let source = middle + towards / self.vergence_per_mm;
            let (from, axial) = (at - source, middle - source);
            (from.normalize(), from.norm() - axial.norm())
        };
        let mut ray = Ray {
            at,
            along,
            path,
            index: 1.0,
        };
        for (surface, (vertex, axes)) in self.surfaces.iter().zip(poses) {
            ray = step(surface, *vertex, axes, ray)?;
        }
        Ok(ray)
    }

    /// What becomes of a star `field_rad` off the axis with these shifts.
    ///
    /// # Errors
    /// [`Lost`] when a ray does not get through.
    pub fn image(&self, shifts: &[Shift], field_rad: Vector2<f64>) -> Result<Image, Lost> {
        let poses = self.poses(shifts);
        let mut rays = Vec::with_capacity(RADIAL.len() * ANGLES as usize);
        for (r2, weight) in RADIAL {
            for k in 0..ANGLES {
                let (s, c) = (TAU * (f64::from(k) + 0.5) / f64::from(ANGLES)).sin_cos();
                let (u, v) = (r2.sqrt() * c, r2.sqrt() * s);
                let ray = self.ray(&poses, [u, v], field_rad)?;
                rays.push((u, v, weight / f64::from(ANGLES), ray));
            }
        }
        let place: Vector2<f64> = rays.iter().map(|(_, _, w, ray)| *w * self.lands(ray)).sum();
        let centre = self.focus_mm
            + self.image_axes.column(0) * place.x
            + self.image_axes.column(1) * place.y;
        // Orthonormal on the disc: a coefficient is the mean of W Z_j.
        let mean = |of: &dyn Fn(f64, f64) -> f64| -> f64 {
            rays.iter()
                .map(|&(u, v, w, ray)| {
                    let foot = (centre - ray.at).dot(&ray.along) * ray.index + ray.path;
                    -foot * w * of(u, v) * 1e6 / REFERENCE_NM
                })
                .sum()
        };
        let mut wavefront = Wavefront::flat();
        for j in super::wavefront::FIRST..=super::wavefront::LAST {
            wavefront.set(j, mean(&|u, v| zernike::noll(j, u, v)));
        }
        // Z16 and Z17: sqrt 12 (10 r^5 - 12 r^3 + 3 r) (Noll 1976).
        let fifth = |along: f64, r2: f64| 12f64.sqrt() * (10.0 * r2 * r2 - 12.0 * r2 + 3.0) * along;
        let higher = Vector2::new(
            mean(&|u, v| fifth(u, u * u + v * v)),
            mean(&|u, v| fifth(v, u * u + v * v)),
        );
        let third = Vector2::from(wavefront.coma());
        Ok(Image {
            wavefront,
            w131: third * 72f64.sqrt() - higher * (12.0 * 12f64.sqrt()),
            place_mm: -place,
        })
    }

    /// Where a ray meets the picture, in the picture's axes, mm.
    fn lands(&self, ray: &Ray) -> Vector2<f64> {
        let normal = self.image_axes.column(2);
        let t = (self.focus_mm - ray.at).dot(&normal) / ray.along.dot(&normal);
        let at = ray.at + ray.along * t - self.focus_mm;
        Vector2::new(
            at.dot(&self.image_axes.column(0)),
            at.dot(&self.image_axes.column(1)),
        )
    }

    /// Where single rays along the pupil's y axis land, y in mm, for solving a
    /// prescription. `heights` are shares of the aperture's radius.
    ///
    /// # Errors
    /// [`Lost`] when a ray does not get through.
    pub fn meridian(&self, heights: &[f64]) -> Result<Vec<f64>, Lost> {
        let poses = self.poses(&[]);
        heights
            .iter()
            .map(|&h| {
                let ray = self.ray(&poses, [0.0, h], Vector2::zeros())?;
                Ok(self.lands(&ray).y)
            })
            .collect()
    }

    /// Paraxial focal length and where the image lies beyond `focus_mm` along
    /// the light, both mm, from a ray close to the axis.
    ///
    /// # Errors
    /// [`Lost`] when the ray does not get through.
    pub fn paraxial(&self) -> Result<(f64, f64), Lost> {
        let h = 1e-4;
        let ray = self.ray(&self.poses(&[]), [0.0, h], Vector2::zeros())?;
        let slope =
            ray.along.dot(&self.image_axes.column(1)) / ray.along.dot(&self.image_axes.column(2));
        Ok((
            -h * self.aperture_radius_mm / slope,
            -self.lands(&ray).y / slope,
        ))
    }

    /// The field angle at which the star stands in the middle of the picture.
    ///
    /// # Errors
    /// [`Lost`] when a ray does not get through.
    pub fn centred_field(&self, shifts: &[Shift]) -> Result<Vector2<f64>, Lost> {
        let mut field = Vector2::zeros();
        for _ in 0..4 {
            let here = self.image(shifts, field)?.place_mm;
            let step = 1e-6;
            let by = |d: Vector2<f64>| -> Result<Vector2<f64>, Lost> {
                Ok((self.image(shifts, field + d * step)?.place_mm - here) / step)
            };
            let slope = Matrix2::from_columns(&[by(Vector2::x())?, by(Vector2::y())?]);
            field -= slope.try_inverse().ok_or(Lost)? * here;
        }
        Ok(field)
    }

    /// The star's image once it has been brought back to the middle.
    ///
    /// # Errors
    /// [`Lost`] when a ray does not get through.
    pub fn centred_image(&self, shifts: &[Shift]) -> Result<Image, Lost> {
        self.image(shifts, self.centred_field(shifts)?)
    }
}

/// One surface.
fn step(
    surface: &Surface,
    vertex: Vector3<f64>,
    axes: &Matrix3<f64>,
    ray: Ray,
) -> Result<Ray, Lost> {
    let at = axes.tr_mul(&(ray.at - vertex));
    let d = axes.tr_mul(&ray.along);
    if d.z == 0.0 {
        return Err(Lost);
    }
    let to_plane = -at.z / d.z;
    let q = at + d * to_plane;
    let c = surface.curvature_per_mm;
    let a = c * (1.0 + surface.conic * d.z * d.z);
    let b = d.z - c * (q.x * d.x + q.y * d.y);
    let g = c * (q.x * q.x + q.y * q.y);
    let root = b * b - a * g;
    if root < 0.0 {
        return Err(Lost);
    }
    let mut t = g / (b + b.signum() * root.sqrt());
    if surface.asphere != [0.0; 3] {
        for _ in 0..8 {
            let p = q + d * t;
            let (z, slope) = surface.sag(p.x * p.x + p.y * p.y);
            let change = (p.z - z) / (d.z - 2.0 * slope * (p.x * d.x + p.y * d.y));
            t -= change;
            if change.abs() < 1e-12 {
                break;
            }
        }
    }
    let p = q + d * t;
    let (_, slope) = surface.sag(p.x * p.x + p.y * p.y);
    let normal = Vector3::new(-2.0 * slope * p.x, -2.0 * slope * p.y, 1.0).normalize();
    let path = ray.path + ray.index * (to_plane + t);
    let cosine = d.dot(&normal);
    let (d, index) = match surface.action {
        Action::Mirror => (d - normal * (2.0 * cosine), ray.index),
        Action::Refract(index) => {
            let ratio = ray.index / index;
            let inner = 1.0 - ratio * ratio * (1.0 - cosine * cosine);
            if inner < 0.0 {
                return Err(Lost);
            }
            (
                d * ratio + normal * (cosine.signum() * inner.sqrt() - ratio * cosine),
                index,
            )
        }
    };
    if !(t.is_finite() && p.iter().all(|x| x.is_finite())) {
        return Err(Lost);
    }
    Ok(Ray {
        at: vertex + axes * p,
        along: (axes * d).normalize(),
        path,
        index,
    })
}

/// One arc minute, radians.
pub const ARCMIN_RAD: f64 = PI / 10_800.0;
