//! How sure an answer is from how blocks of consecutive frames differ.

use rayon::prelude::*;

use super::fit::FitResult;
use super::frame::{Setup, Stamp};
use super::light::Start;
use super::rings::{Effort, measure_rings};
use super::stack::{Stack, with_gaps};

/// One block's coma (a8, a7) and how many frames it stands for.
#[derive(Debug, Clone, Copy)]
pub(crate) struct BlockLook {
    pub frames: f64,
    pub coma: [f64; 2],
}

/// Covariance [xx, xy, yy] of the mean of all blocks, weighted by their frames:
/// the blocks' own scatter over one less than their number, and more where
/// neighbours are alike. `None` for fewer than two.
pub(crate) fn covariance_of_mean(looks: &[BlockLook]) -> Option<[f64; 3]> {
    if looks.len() < 2 {
        return None;
    }
    let weight: f64 = looks.iter().map(|l| l.frames).sum();
    let mean = [0, 1].map(|k| looks.iter().map(|l| l.frames * l.coma[k]).sum::<f64>() / weight);
    let off = |l: &BlockLook| [l.coma[0] - mean[0], l.coma[1] - mean[1]];
    let mut squares = [0.0; 3];
    for l in looks {
        let d = off(l);
        squares[0] += l.frames * d[0] * d[0];
        squares[1] += l.frames * d[0] * d[1];
        squares[2] += l.frames * d[1] * d[1];
    }
    let lagged: f64 = looks
        .windows(2)
        .map(|w| {
            let (a, b) = (off(&w[0]), off(&w[1]));
            (w[0].frames * w[1].frames).sqrt() * (a[0] * b[0] + a[1] * b[1])
        })
        .sum();
    let more = more_than_it_seems(looks.len(), lagged / (squares[0] + squares[2]).max(1e-300));
    Some(squares.map(|s| more * s / ((looks.len() as f64 - 1.0) * weight)))
}

/// Air that blows across lasts from one block into the next, and so many blocks then
/// tell less than their number: the variance of their mean grows by (1 + r) / (1 - r)
/// for a first-order autoregression (G. E. P. Box & G. M. Jenkins, "Time Series Analysis",
/// 1976, from memory). The likeness `alike` of neighbours is seen too small by some
/// 1 / n, their own mean having been taken off. Besides, blocks answer here as if the mean
/// picture were a straight function of the air, which it is not.
fn more_than_it_seems(blocks: usize, alike: f64) -> f64 {
    if blocks < LEAST_FOR_LIKENESS {
        return 1.0;
    }
    let r = (alike + 1.0 / blocks as f64).clamp(0.0, MOST_ALIKE);
    BENT.powi(2) * (1.0 + r) / (1.0 - r)
}

/// Fewer blocks than this do not tell how alike neighbours are; and the most that is
/// believed of it.
const LEAST_FOR_LIKENESS: usize = 6;
const MOST_ALIKE: f64 = 0.6;
/// How much larger the error is for that (world A of tests/accuracy/worlds).
const BENT: f64 = 1.2;

/// Root mean of both components' variances, waves.
pub(crate) fn component_sigma(covariance: [f64; 3]) -> f64 {
    ((covariance[0] + covariance[2]) / 2.0).max(0.0).sqrt()
}

/// What the rings of a stack's blocks say.
pub(crate) struct Blocks {
    /// 1-sigma of each coma component of the whole stack, waves; 0 when there are fewer
    /// than three blocks.
    pub sigma: f64,
    /// The donut's radius in the first and in the last block, px, where it changed beyond doubt.
    pub refocused: Option<[f64; 2]>,
}

/// The rings of a stack's blocks.
pub(crate) fn by_rings(stack: &Stack, setup: &Setup) -> Blocks {
    let start = Start {
        centre: stack.centre,
        radius: stack.radius,
    };
    let (looks, radii): (Vec<BlockLook>, Vec<f64>) = stack
        .blocks
        .par_iter()
        .filter_map(|b| {
            let g = measure_rings(b.size, &with_gaps(b), start, setup, Effort::Quick).ok()?;
            let c = g.coma(setup);
            let look = BlockLook {
                frames: b.frames as f64,
                coma: [c.x_waves, c.y_waves],
            };
            Some((look, g.outer_radius))
        })
        .collect::<Vec<_>>()
        .into_iter()
        .unzip();
    let sigma = match looks.len() {
        0..3 => 0.0,
        _ => covariance_of_mean(&looks).map_or(0.0, component_sigma),
    };
    Blocks {
        sigma,
        refocused: steady_change(&radii),
    }
}

/// The donut's radius must change by this share of itself during a row, and by so many
/// sigma, to count as refocused.
const REFOCUSED: f64 = 0.1;
const BEYOND_DOUBT: f64 = 5.0;

/// First and last value of the straight line through a row, where it rises or falls beyond
/// doubt; air that shakes single frames makes scatter and no slope.
fn steady_change(row: &[f64]) -> Option<[f64; 2]> {
    let n = row.len() as f64;
    if row.len() < 4 {
        return None;
    }
    let (mean, middle) = (row.iter().sum::<f64>() / n, (n - 1.0) / 2.0);
    let squares: f64 = (0..row.len()).map(|i| (i as f64 - middle).powi(2)).sum();
    let slope = row
        .iter()
        .enumerate()
        .map(|(i, v)| (i as f64 - middle) * (v - mean))
        .sum::<f64>()
        / squares;
    let line = |i: f64| mean + slope * (i - middle);
    let left: f64 = row
        .iter()
        .enumerate()
        .map(|(i, v)| (v - line(i as f64)).powi(2))
        .sum::<f64>()
        / (n - 2.0);
    let change = (slope * (n - 1.0)).abs();
    let sigma = (left / squares).sqrt() * (n - 1.0);
    (change > REFOCUSED * mean && change > BEYOND_DOUBT * sigma).then(|| [line(0.0), line(n - 1.0)])
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

/// Covariance of the fitted coma by the blocks of pictures in several colours, taken at once.
pub(crate) fn by_colours(found: &FitResult, stacks: &[Stack]) -> Option<[f64; 3]> {
    let count = stacks.iter().map(|s| s.blocks.len()).min()?;
    let looks: Vec<BlockLook> = (0..count)
        .filter_map(|b| {
            let alike: Vec<Vec<f64>> = stacks
                .iter()
                .zip(&found.pictures)
                .filter_map(|(s, p)| scaled_alike(&s.blocks[b], &p.model))
                .collect();
            let blocks: Vec<&[f64]> = alike.iter().map(Vec::as_slice).collect();
            Some(BlockLook {
                frames: stacks[0].blocks[b].frames as f64,
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
    fn blocks_alike_to_their_neighbours_count_for_fewer() {
        let row = |values: &[f64]| {
            let looks: Vec<BlockLook> = values
                .iter()
                .map(|&x| BlockLook {
                    frames: 1.0,
                    coma: [x, 0.0],
                })
                .collect();
            covariance_of_mean(&looks).unwrap()[0]
        };
        let mixed = row(&[0.1, -0.1, -0.1, 0.1, 0.1, -0.1, 0.1, -0.1]);
        let slow = row(&[0.1, 0.1, 0.1, 0.1, -0.1, -0.1, -0.1, -0.1]);
        assert!(slow > 3.0 * mixed, "{slow} {mixed}");
    }

    #[test]
    fn a_row_that_grows_is_told_from_one_that_shakes() {
        let grows: Vec<f64> = (0..10)
            .map(|i| 40.0 + f64::from(i) + 0.3 * f64::from(i % 2))
            .collect();
        let [first, last] = steady_change(&grows).unwrap();
        assert!(
            (first - 40.0).abs() < 0.5 && (last - 49.2).abs() < 0.5,
            "{first} {last}"
        );
        let shakes: Vec<f64> = (0..10).map(|i| 40.0 + 4.0 * f64::from(i * 7 % 5)).collect();
        assert!(steady_change(&shakes).is_none());
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
