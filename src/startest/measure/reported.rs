//! The coma to be reported and its errors, however it was had.

use super::Look;
use crate::fit::FitResult;
use crate::frame::Setup;
use crate::report::Wavefront;
use crate::scatter::component_sigma;
use optics::wavefront::{annular_from_noll_coma, w020_from_a4};

/// RMS waves, the vector as the picture shows it.
pub(super) struct Answer {
    pub coma: [f64; 2],
    /// [xx, xy, yy] from scatter and residuals.
    pub covariance: [f64; 3],
    pub model_sigma: f64,
    pub defocus: f64,
    pub defocus_sigma: f64,
}

impl Answer {
    /// The rings' own: of a pair the mean of both, from which a shadow off
    /// centre drops out.
    pub(super) fn by_rings(looks: &[Look], setup: &Setup) -> Self {
        let n = looks.len() as f64;
        let mean = |f: &dyn Fn(&Look) -> f64| looks.iter().map(f).sum::<f64>() / n;
        let scatter = (looks.iter().map(|l| l.scatter.powi(2)).sum::<f64>()).sqrt() / n;
        let model = (looks
            .iter()
            .map(|l| l.read.model_sigma.powi(2))
            .sum::<f64>()
            / n)
            .sqrt();
        let last = &looks[looks.len() - 1].read;
        let sign = if looks.len() > 1 {
            1.0
        } else {
            setup.side_sign()
        };
        Answer {
            coma: [mean(&|l| l.read.x_waves), mean(&|l| l.read.y_waves)],
            covariance: [scatter.powi(2), 0.0, scatter.powi(2)],
            model_sigma: model,
            defocus: last.w020_waves * sign,
            defocus_sigma: 0.04 * last.w020_waves,
        }
    }

    pub fn sigma(&self) -> f64 {
        component_sigma(self.covariance).hypot(self.model_sigma)
    }

    pub fn wavefront(&self, method: &str, setup: &Setup) -> Wavefront {
        let [x, y] = self.coma;
        let coma = x.hypot(y);
        let sigma = self.sigma();
        Wavefront {
            method: method.to_owned(),
            coma_rms_waves: coma,
            coma_rms_waves_sigma: sigma,
            coma_annular_rms_waves: annular_from_noll_coma(coma, setup.obstruction),
            coma_x_waves: x,
            coma_y_waves: y,
            coma_component_sigma_waves: sigma,
            defocus_waves: self.defocus,
            defocus_waves_sigma: self.defocus_sigma,
            scatter_sigma_waves: component_sigma(self.covariance),
            model_sigma_waves: self.model_sigma,
        }
    }
}

/// The two methods' names.
pub(super) const FIT: &str = "diffraction fit";
pub(super) const GEOMETRY: &str = "geometry";

/// As the fit found it; `blocks` is the spread between blocks of frames, [xx, xy, yy].
pub(super) fn by_fit(found: &FitResult, blocks: Option<[f64; 3]>, rings: &Answer) -> Answer {
    let own = found.coma_covariance();
    let unseen = found.unseen_covariance();
    // Residuals and blocks both see noise and moving air; the larger of them stands. What was
    // told wrong and what the model leaves out is in neither.
    let with_blocks = blocks.map(|b| [0, 1, 2].map(|i| b[i] + unseen[i]));
    let covariance = match with_blocks {
        Some(b) if component_sigma(b) > component_sigma(own) => b,
        _ => own,
    };
    let sign = if rings.defocus < 0.0 { -1.0 } else { 1.0 };
    Answer {
        coma: found.coma(),
        covariance,
        model_sigma: 0.0,
        defocus: w020_from_a4(found.wavefront.get(4)).abs() * sign,
        defocus_sigma: w020_from_a4(found.sigma(4).unwrap_or(0.0)),
    }
}
