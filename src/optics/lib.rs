//! Pure physics of a small telescope: no files, no pixels of a particular
//! camera, no database.
//!
//! - [`zernike`]: Noll-ordered Zernike polynomials on the unit disc.
//! - [`wavefront`]: a wavefront as coefficients, and the conversions between
//!   Noll coefficients, peak (Seidel-like) coefficients and RMS values, on a
//!   full and on an annular pupil.
//! - [`strehl`]: Strehl ratio from RMS error, each formula under its own name.
//! - [`eye`]: resolving limits, magnifications, limiting magnitude, and up to
//!   which magnification a comatic image still looks sharp.
//! - [`seeing`]: Kolmogorov turbulence: r0, FWHM, mode variances, transfer, and
//!   the floor that tonight's air sets to a measured coma.
//! - [`field`]: the coma a star off the axis has by itself.
//! - [`pupil`]: the amplitude over the aperture: obstruction, vanes.
//! - [`diffraction`]: point spread and contrast transfer.
//! - [`fourier`]: two-dimensional transforms with mostly empty input.
//! - [`render`]: a star drawn for the eye.
//! - [`trace`]: exact ray trace through mirrors and lenses, each free to move.
//! - [`prescription`]: a design's surfaces from the numbers a club knows.
//! - [`alignment`]: coma and the star's jump per arc minute of tilt.
//! - [`lamp`]: what a source at a finite distance changes, and how small it must be.
//! - [`barrels`]: two barrels side by side: step, convergence and turn between them, and
//!   what eyes accept.
//! - [`peephole`]: down a Newtonian's focuser by day: what the circles seen there say.
//!
//! Wavefronts are in waves at [`REFERENCE_NM`] unless a name says otherwise.
//! Pupil coordinates (u, v) have the rim at radius 1, u to the right and v up
//! **as seen in a picture taken outside focus**; a point (u, v) of the pupil
//! sends its light to 2 N (dW/du, dW/dv) in the picture (W as a length,
//! W020 positive outside focus), so inside focus the pupil is seen turned by
//! half a turn.

#![forbid(unsafe_code)]

pub mod alignment;
pub mod barrels;
pub mod diffraction;
pub mod eye;
pub mod field;
pub mod focus;
pub mod fourier;
pub mod lamp;
pub mod peephole;
pub mod prescription;
pub mod pupil;
pub mod render;
pub mod seeing;
pub mod strehl;
pub mod trace;
pub mod wavefront;
pub mod zernike;

/// The wavelength in which wavefront errors are expressed, nm.
pub const REFERENCE_NM: f64 = 550.0;

/// Arc seconds in one radian.
pub const ARCSEC_PER_RAD: f64 = 206_264.806_247_096_36;
