//! A scale that somebody told, weighed with the one that the rings told.
//!
//! The outline of the donut is kept whatever its scale: were a pixel larger by a share, the
//! star would stand as much farther out of focus and its coma, told by how much the ring's
//! width differs, would be as much larger. So all waves go with the scale.

use nalgebra::{DMatrix, DVector};

use super::FitResult;

/// Of a variance that the scale may be to blame for so much is left at least, as a share.
const LEFT_AT_LEAST: f64 = 0.1;

impl FitResult {
    /// Takes in a scale that was told: arc seconds a pixel of the stamps, and its 1-sigma as a
    /// share. What was found of the scale and this are weighed by their errors. Nothing
    /// changes where the scale was never in question ([`FitResult::sizes`]).
    pub fn take_in_scale(&mut self, [told, told_share]: [f64; 2]) {
        let Some(sizes) = &mut self.sizes else {
            return;
        };
        let [found, sigma] = sizes.arcsec_per_px;
        let weights = [(sigma / found).powi(-2), told_share.powi(-2)];
        let known = weights[0] + weights[1];
        let factor = (weights[1] / known * (told / found).ln()).exp();
        // Variance of the scale as a share: before, after, and the part all waves share.
        let (before, after) = (1.0 / weights[0], 1.0 / known);
        let of_all = sizes.of_all.powi(2);
        sizes.arcsec_per_px = [found * factor, found * factor * after.sqrt()];
        sizes.of_all = of_all.min(after).sqrt();
        let gained = of_all - of_all.min(after);

        let n = self.modes.len();
        let waves = DVector::from_fn(n, |k, _| self.wavefront.get(self.modes[k]));
        let mut covariance = DMatrix::from_row_slice(n, n, &self.covariance);
        // No more than leaves a covariance.
        let most = covariance.clone().cholesky().map_or(0.0, |c| {
            (1.0 - LEFT_AT_LEAST) / waves.dot(&c.solve(&waves)).max(1e-30)
        });
        covariance -= &waves * waves.transpose() * (before - after).clamp(0.0, most);
        covariance *= factor * factor;
        self.covariance = covariance.transpose().as_slice().to_vec();
        let [x, y] = self.wavefront.coma();
        for (own, both) in self.unseen.iter_mut().zip([x * x, x * y, y * y]) {
            *own = (*own - gained * both) * factor * factor;
        }
        let doubt = self.told_doubt.powi(2) - gained * (x * x + y * y) / 2.0;
        self.told_doubt = factor * doubt.max(0.0).sqrt();
        self.decentre_doubt *= factor;
        for &j in &self.modes {
            let scaled = factor * self.wavefront.get(j);
            self.wavefront.set(j, scaled);
        }
        self.modelled = self.modelled.map(|c| factor * c);
        for response in self.responses.iter_mut().flatten() {
            *response *= factor as f32;
        }
        for picture in &mut self.pictures {
            picture.w020_waves *= factor;
            picture.blur_fwhm_arcsec *= factor;
        }
    }
}
