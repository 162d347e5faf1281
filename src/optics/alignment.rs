//! What a tilted element does to a star: coma, and how far the star jumps.
//!
//! All of it by finite differences of the exact trace ([`super::trace`]), in the
//! frame of the tube seen from in front (x = sin(clock), y = cos(clock)).

use nalgebra::{Matrix2, Vector2, Vector3};

use super::prescription::Prescription;
use super::trace::{ARCMIN_RAD, Lost, Part, Shift, System};

/// What one arc minute of tilt does. Columns are tilts that raise the element's
/// side at 3 o'clock (x) and at 12 o'clock (y) towards the sky; rows are x and y
/// of the answer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PerArcmin {
    /// Noll coma (a8, a7), waves at 550 nm, star left where it is in the sky.
    pub coma: Matrix2<f64>,
    /// The same once the star has been brought back to the middle: what counts
    /// at the bench.
    pub coma_centred: Matrix2<f64>,
    /// The r^3 term of `coma` and of `coma_centred` at the rim, waves: W131 of
    /// third-order theory.
    pub w131: [Matrix2<f64>; 2],
    /// How far the star jumps, mm in the picture, turned as the pupil lies in a
    /// picture taken outside focus.
    pub jump_mm: Matrix2<f64>,
}

impl PerArcmin {
    /// RMS coma per arc minute, star brought back, for the tilt that makes most.
    pub fn coma_centred_rms(&self) -> f64 {
        self.coma_centred.singular_values().max()
    }

    /// RMS coma per arc minute, star not brought back.
    pub fn coma_rms(&self) -> f64 {
        self.coma.singular_values().max()
    }
}

/// A tilt about a pivot.
pub fn tilted(part: Part, pivot_mm: Vector3<f64>, tilt_arcmin: Vector2<f64>) -> Shift {
    Shift {
        part,
        pivot_mm,
        tilt_rad: tilt_arcmin * ARCMIN_RAD,
        decentre_mm: Vector2::zeros(),
    }
}

/// What tilting an element about its vertex does, per arc minute; `None` where
/// the instrument has no such element.
///
/// # Errors
/// [`Lost`] when a ray does not get through.
pub fn per_arcmin(of: &Prescription, part: Part) -> Result<Option<PerArcmin>, Lost> {
    let Some(vertex) = of.vertex_mm(part) else {
        return Ok(None);
    };
    per_arcmin_about(&of.system, &[part], vertex).map(Some)
}

/// The same for elements that tilt together about any pivot (an objective's
/// cell holds both its lenses).
///
/// # Errors
/// [`Lost`] when a ray does not get through.
pub fn per_arcmin_about(
    system: &System,
    parts: &[Part],
    pivot_mm: Vector3<f64>,
) -> Result<PerArcmin, Lost> {
    let mut answer = PerArcmin {
        coma: Matrix2::zeros(),
        coma_centred: Matrix2::zeros(),
        w131: [Matrix2::zeros(); 2],
        jump_mm: Matrix2::zeros(),
    };
    for (column, way) in [Vector2::x(), Vector2::y()].into_iter().enumerate() {
        for sign in [1.0, -1.0] {
            let shifts: Vec<Shift> = parts
                .iter()
                .map(|&part| tilted(part, pivot_mm, way * sign))
                .collect();
            let left = system.image(&shifts, Vector2::zeros())?;
            let centred = system.centred_image(&shifts)?;
            let add = |to: &mut Matrix2<f64>, v: Vector2<f64>| {
                let mut c = to.column_mut(column);
                c += v * (sign / 2.0);
            };
            add(&mut answer.coma, Vector2::from(left.wavefront.coma()));
            add(
                &mut answer.coma_centred,
                Vector2::from(centred.wavefront.coma()),
            );
            add(&mut answer.w131[0], left.w131);
            add(&mut answer.w131[1], centred.w131);
            add(&mut answer.jump_mm, left.place_mm);
        }
    }
    Ok(answer)
}

/// RMS coma per arc minute that a star stands off the axis of an instrument in
/// line, waves at 550 nm.
///
/// # Errors
/// [`Lost`] when a ray does not get through.
pub fn field_coma_per_arcmin(system: &System) -> Result<f64, Lost> {
    let field = Vector2::new(0.0, ARCMIN_RAD);
    let up = system.image(&[], field)?.wavefront.get(7);
    let down = system.image(&[], -field)?.wavefront.get(7);
    Ok((up - down).abs() / 2.0)
}

/// The r^3 term of the same at the rim, waves: W131 of third-order theory.
///
/// # Errors
/// [`Lost`] when a ray does not get through.
pub fn field_w131_per_arcmin(system: &System) -> Result<f64, Lost> {
    let field = Vector2::new(0.0, ARCMIN_RAD);
    let up = system.image(&[], field)?.w131.y;
    let down = system.image(&[], -field)?.w131.y;
    Ok((up - down).abs() / 2.0)
}

/// W131 (the r^3 term, waves at 550 nm at the rim) per millimetre of one
/// element's displacement across the axis, the star left where it is or brought
/// back to the middle.
///
/// # Errors
/// [`Lost`] when a ray does not get through.
pub fn w131_per_mm_decentre(system: &System, part: Part, centred: bool) -> Result<f64, Lost> {
    let shift = |y: f64| {
        [Shift {
            part,
            pivot_mm: Vector3::zeros(),
            tilt_rad: Vector2::zeros(),
            decentre_mm: Vector2::new(0.0, y),
        }]
    };
    let step = 0.1;
    let coma = |y: f64| -> Result<f64, Lost> {
        let image = if centred {
            system.centred_image(&shift(y))?
        } else {
            system.image(&shift(y), Vector2::zeros())?
        };
        Ok(image.w131.y)
    };
    Ok((coma(step)? - coma(-step)?).abs() / (2.0 * step))
}
