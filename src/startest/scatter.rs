//! How sure an answer is from how blocks of consecutive frames differ.

use rayon::prelude::*;

use super::fit::FitResult;
use super::frame::{Setup, Stamp};
use super::rings::{Effort, Start, measure_rings};
use super::stack::{Stack, with_gaps};

/// One block's coma (a8, a7) and how many frames it stands for.
#[derive(Debug, Clone, Copy)]
pub(crate) struct BlockLook {
    pub frames: f64,
    pub coma: [f64; 2],
}

/// Covariance [xx, xy, yy] of the mean of all blocks, weighted by their frames:
/// the blocks' own scatter over one less than their number. `None` for fewer
/// than two.
pub(crate) fn covariance_of_mean(looks: &[BlockLook]) -> Option<[f64; 3]> {
    if looks.len() < 2 {
        return None;
    }
    let weight: f64 = looks.iter().map(|l| l.frames).sum();
    let mean = [0, 1].map(|k| looks.iter().map(|l| l.frames * l.coma[k]).sum::<f64>() / weight);
    let mut squares = [0.0; 3];
    for l in looks {
        let d = [l.coma[0] - mean[0], l.coma[1] - mean[1]];
        squares[0] += l.frames * d[0] * d[0];
        squares[1] += l.frames * d[0] * d[1];
        squares[2] += l.frames * d[1] * d[1];
    }
    Some(squares.map(|s| s / ((looks.len() as f64 - 1.0) * weight)))
}

/// Root mean of both components' variances, waves.
pub(crate) fn component_sigma(covariance: [f64; 3]) -> f64 {
    ((covariance[0] + covariance[2]) / 2.0).max(0.0).sqrt()
}

/// 1-sigma of each coma component of the whole stack by the rings of its
/// blocks, waves; 0 when there are fewer than three.
pub(crate) fn by_rings(stack: &Stack, setup: &Setup) -> f64 {
    let start = Start {
        centre: stack.centre,
        radius: stack.radius,
    };
    let looks: Vec<BlockLook> = stack
        .blocks
        .par_iter()
        .filter_map(|b| {
            let g = measure_rings(b.size, &with_gaps(b), start, setup, Effort::Quick).ok()?;
            let c = g.coma(setup);
            Some(BlockLook {
                frames: b.frames as f64,
                coma: [c.x_waves, c.y_waves],
            })
        })
        .collect();
    if looks.len() < 3 {
        return 0.0;
    }
    covariance_of_mean(&looks).map_or(0.0, component_sigma)
}

/// Covariance [xx, xy, yy] of the fitted coma by the blocks of picture `k` of
/// the fit; `None` for fewer than two blocks.
pub(crate) fn by_fit(found: &FitResult, k: usize, stack: &Stack) -> Option<[f64; 3]> {
    let picture = found.pictures.get(k)?;
    let looks: Vec<BlockLook> = stack
        .blocks
        .par_iter()
        .filter_map(|block| {
            let alike = scaled_alike(block, &picture.model)?;
            let blocks: Vec<&[f64]> = found
                .pictures
                .iter()
                .enumerate()
                .map(|(i, p)| {
                    if i == k {
                        alike.as_slice()
                    } else {
                        p.model.as_slice()
                    }
                })
                .collect();
            Some(BlockLook {
                frames: block.frames as f64,
                coma: found.coma_of(&blocks)?,
            })
        })
        .collect();
    covariance_of_mean(&looks)
}

/// A block with its light brought to that of the model, so that thin cloud does
/// not pass for coma; missing pixels as the model has them.
fn scaled_alike(block: &Stamp, model: &[f64]) -> Option<Vec<f64>> {
    let there: Vec<usize> = (0..model.len().min(block.data.len()))
        .filter(|&i| block.sigma[i].is_finite() && block.data[i].is_finite())
        .collect();
    if there.len() * 2 < model.len() {
        return None;
    }
    let n = there.len() as f64;
    let mean = |v: &[f64]| there.iter().map(|&i| v[i]).sum::<f64>() / n;
    let (md, mm) = (mean(&block.data), mean(model));
    let (mut dm, mut m2) = (0.0, 0.0);
    for &i in &there {
        dm += (block.data[i] - md) * (model[i] - mm);
        m2 += (model[i] - mm).powi(2);
    }
    let gain = dm / m2;
    if !(gain.is_finite() && gain > 0.0) {
        return None;
    }
    let mut out = model.to_vec();
    for &i in &there {
        out[i] = (block.data[i] - md) / gain + mm;
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn the_scatter_of_the_mean_shrinks_with_the_number_of_blocks() {
        let look = |x: f64, y: f64| BlockLook {
            frames: 2.0,
            coma: [x, y],
        };
        let four = [
            look(0.1, 0.0),
            look(-0.1, 0.0),
            look(0.1, 0.0),
            look(-0.1, 0.0),
        ];
        let c = covariance_of_mean(&four).unwrap();
        // Variance 0.04/3 of single blocks, over four.
        assert!((c[0] - 0.04 / 3.0 / 4.0).abs() < 1e-12 && c[1] == 0.0 && c[2] == 0.0);
        assert!(covariance_of_mean(&four[..1]).is_none());
    }

    #[test]
    fn cloud_and_sky_are_taken_out_of_a_block() {
        let model: Vec<f64> = (0..144).map(|i| f64::from(i % 7)).collect();
        let block = Stamp {
            size: 12,
            data: model.iter().map(|m| 0.4 * m + 3.0).collect(),
            sigma: vec![1.0; 144],
            frames: 1,
        };
        for (a, b) in scaled_alike(&block, &model).unwrap().iter().zip(&model) {
            assert!((a - b).abs() < 1e-9);
        }
    }
}
