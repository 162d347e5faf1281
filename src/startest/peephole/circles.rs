//! Circles among edges: each edge votes for the centres that lie along its own slope; the
//! best centre's best radius is fitted, its edges are taken out, and so on.
//!
//! A circle seen askew is an ellipse nearly round: radius as a function of angle to second
//! order (r + x cos + y sin + p cos 2 + q sin 2), by least squares without what is far off.

use nalgebra::{SMatrix, SVector};
use std::f64::consts::TAU;

use super::edges::Edge;

/// A circle found; px, x to the right and y down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Circle {
    pub at: [f64; 2],
    pub radius: f64,
    /// 1-sigma of each coordinate of `at`.
    pub sigma: f64,
    /// Whether it is darker inside.
    pub dark_inside: bool,
    /// The share of its length in the picture that has edges.
    pub covered: f64,
}

/// What is looked for.
#[derive(Debug, Clone, Copy)]
pub(super) struct Search {
    pub size: [usize; 2],
    pub radii: [f64; 2],
    pub most: usize,
    pub least_covered: f64,
}

const SECTORS: usize = 48;
/// Px along a side of a cell that collects votes.
const CELL: f64 = 2.0;

struct Votes {
    width: usize,
    height: usize,
    cells: Vec<f32>,
    radii: [f64; 2],
}

impl Votes {
    fn add(&mut self, edge: &Edge, weight: f32) {
        for sign in [1.0, -1.0] {
            let mut r = self.radii[0];
            while r < self.radii[1] {
                let x = (edge.x + sign * r * edge.way[0]) / CELL;
                let y = (edge.y + sign * r * edge.way[1]) / CELL;
                if x < 0.0 || y < 0.0 || x >= self.width as f64 || y >= self.height as f64 {
                    break;
                }
                // A small circle has few edges, and they count as much as a large one's.
                self.cells[y as usize * self.width + x as usize] += weight / (r as f32).sqrt();
                r += CELL;
            }
        }
    }

    /// The best centre that is not barred, by sums over three cells each way.
    fn best(&self, barred: &[[f64; 2]]) -> Option<[f64; 2]> {
        let (w, h) = (self.width, self.height);
        let mut best = (0.0, [0.0; 2]);
        for y in 1..h.saturating_sub(1) {
            for x in 1..w.saturating_sub(1) {
                let row = |k: usize| {
                    let i = k * w + x;
                    self.cells[i - 1] + self.cells[i] + self.cells[i + 1]
                };
                let sum = row(y - 1) + row(y) + row(y + 1);
                if sum > best.0 {
                    let at = [(x as f64 + 0.5) * CELL, (y as f64 + 0.5) * CELL];
                    let far = |b: &[f64; 2]| (b[0] - at[0]).hypot(b[1] - at[1]) > 2.5 * CELL;
                    if barred.iter().all(far) {
                        best = (sum, at);
                    }
                }
            }
        }
        (best.0 > 0.0).then_some(best.1)
    }
}

/// The circles, best first.
pub(super) fn find(edges: &[Edge], search: &Search) -> Vec<Circle> {
    let [width, height] = search.size;
    let mut votes = Votes {
        width: (width as f64 / CELL) as usize + 1,
        height: (height as f64 / CELL) as usize + 1,
        cells: Vec::new(),
        radii: search.radii,
    };
    votes.cells = vec![0.0; votes.width * votes.height];
    let mut left: Vec<Edge> = edges.to_vec();
    left.iter().for_each(|e| votes.add(e, 1.0));
    let (mut found, mut barred) = (Vec::new(), Vec::new());
    while found.len() < search.most && barred.len() < 12 {
        let Some(middle) = votes.best(&barred) else {
            break;
        };
        let circle = rough(&left, middle, search)
            .and_then(|(r, dark)| fitted(&left, middle, r, dark, search));
        let Some(circle) = circle else {
            barred.push(middle);
            continue;
        };
        let (taken, rest): (Vec<Edge>, Vec<Edge>) = left
            .iter()
            .partition(|e| belongs(e, &circle, 2.5 + 0.01 * circle.radius));
        taken.iter().for_each(|e| votes.add(e, -1.0));
        left = rest;
        found.push(circle);
    }
    found
}

/// Whether an edge lies on a circle, within so many px, and slopes as it should.
fn belongs(edge: &Edge, circle: &Circle, within: f64) -> bool {
    let (dx, dy) = (edge.x - circle.at[0], edge.y - circle.at[1]);
    let r = dx.hypot(dy).max(1e-9);
    let outwards = (dx * edge.way[0] + dy * edge.way[1]) / r;
    (r - circle.radius).abs() < within
        && if circle.dark_inside {
            outwards > 0.85
        } else {
            outwards < -0.85
        }
}

/// The radius about a centre with most edges for its length, and whether it is dark inside.
fn rough(edges: &[Edge], middle: [f64; 2], search: &Search) -> Option<(f64, bool)> {
    let bins = search.radii[1] as usize + 3;
    let mut counts = [vec![0.0_f64; bins], vec![0.0; bins]];
    for e in edges {
        let (dx, dy) = (e.x - middle[0], e.y - middle[1]);
        let r = dx.hypot(dy);
        if r < search.radii[0] || r >= search.radii[1] {
            continue;
        }
        let outwards = (dx * e.way[0] + dy * e.way[1]) / r;
        let beside = (dx * e.way[1] - dy * e.way[0]).abs();
        if beside < 2.5 + 0.03 * r {
            counts[usize::from(outwards > 0.0)][r as usize] += 1.0;
        }
    }
    let mut best = (0.0, 0.0, false);
    for (dark, counts) in counts.iter().enumerate() {
        for r in 1..bins - 1 {
            let near: f64 = counts[r - 1..=r + 1].iter().sum();
            let score = near / (r as f64 + 0.5).sqrt();
            if score > best.0 {
                best = (score, r as f64 + 0.5, dark == 1);
            }
        }
    }
    (best.0 > 0.0).then_some((best.1, best.2))
}

/// Fits a circle to the edges near it; none where too little of it shows.
pub(super) fn fitted(
    edges: &[Edge],
    middle: [f64; 2],
    radius: f64,
    dark_inside: bool,
    search: &Search,
) -> Option<Circle> {
    let mut circle = Circle {
        at: middle,
        radius,
        sigma: 0.0,
        dark_inside,
        covered: 0.0,
    };
    let mut second = [0.0_f64; 2];
    let start = (3.0 + 0.03 * radius).min(0.4 * radius).max(2.0);
    for (round, within) in [start, start, 0.6 * start, 0.4 * start, 0.4 * start]
        .into_iter()
        .enumerate()
    {
        let near: Vec<(f64, f64)> = edges
            .iter()
            .filter(|e| belongs(e, &circle, within + second[0].hypot(second[1])))
            .map(|e| {
                let (dx, dy) = (e.x - circle.at[0], e.y - circle.at[1]);
                (dy.atan2(dx), dx.hypot(dy))
            })
            .collect();
        circle.covered = covered(&near, &circle, search.size);
        if near.len() < 8 || circle.covered < 0.6 * search.least_covered {
            return None;
        }
        // All around, the ellipse; of an arc no more than a circle.
        let askew = circle.covered > 0.75 && round > 1;
        let fit = harmonics(&near, askew)?;
        circle.at = [circle.at[0] + fit.x, circle.at[1] + fit.y];
        circle.radius = fit.r;
        second = fit.second;
        circle.sigma = fit.sigma.hypot(0.05);
    }
    let [low, high] = search.radii;
    let sane = second[0].hypot(second[1]) < 0.08 * circle.radius
        && (low..high).contains(&circle.radius)
        && circle.covered >= search.least_covered;
    sane.then_some(circle)
}

/// The share of sectors within the picture that have an edge.
fn covered(near: &[(f64, f64)], circle: &Circle, size: [usize; 2]) -> f64 {
    let mut has = [false; SECTORS];
    for (angle, _) in near {
        has[((angle / TAU).rem_euclid(1.0) * SECTORS as f64) as usize % SECTORS] = true;
    }
    let within = (0..SECTORS).filter(|k| {
        let (s, c) = (TAU * (*k as f64 + 0.5) / SECTORS as f64).sin_cos();
        let (x, y) = (
            circle.at[0] + circle.radius * c,
            circle.at[1] + circle.radius * s,
        );
        x > 3.0 && y > 3.0 && x < size[0] as f64 - 4.0 && y < size[1] as f64 - 4.0
    });
    let (mut all, mut lit) = (0.0_f64, 0.0);
    for k in within {
        all += 1.0;
        lit += f64::from(u8::from(has[k]));
    }
    // Of a circle that hardly shows nothing is known.
    if all < 0.3 * SECTORS as f64 {
        0.0
    } else {
        lit / all
    }
}

struct Harmonics {
    r: f64,
    x: f64,
    y: f64,
    second: [f64; 2],
    sigma: f64,
}

/// Radius over angle by least squares, three times, without what is beyond 2.5 sigma.
fn harmonics(near: &[(f64, f64)], askew: bool) -> Option<Harmonics> {
    let row = |angle: f64| {
        let (s, c) = angle.sin_cos();
        let (s2, c2) = (2.0 * angle).sin_cos();
        let [s2, c2] = if askew { [s2, c2] } else { [0.0; 2] };
        SVector::<f64, 5>::from([1.0, c, s, c2, s2])
    };
    let mut most = f64::INFINITY;
    let mut x = SVector::<f64, 5>::zeros();
    let mut sigma = 0.0;
    for _ in 0..4 {
        let mut normal = SMatrix::<f64, 5, 5>::zeros();
        let mut right = SVector::<f64, 5>::zeros();
        let mut n = 0.0;
        for (angle, r) in near {
            let a = row(*angle);
            if (r - a.dot(&x)).abs() > most {
                continue;
            }
            normal += a * a.transpose();
            right += a * *r;
            n += 1.0;
        }
        for k in 3..5 {
            normal[(k, k)] += if askew { 1e-6 } else { 1.0 };
        }
        let inverse = normal.try_inverse()?;
        x = inverse * right;
        let mut off: Vec<f32> = near
            .iter()
            .map(|(angle, r)| (r - row(*angle).dot(&x)).abs() as f32)
            .collect();
        // Half of a normal error lies within 0.6745 sigma.
        let middle = off.len() / 2;
        let spread = f64::from(*off.select_nth_unstable_by(middle, f32::total_cmp).1) / 0.6745;
        most = (2.5 * spread).max(0.3);
        // Neighbouring edges err alike: one in three counts.
        let own = spread.max(0.1) * (3.0 * (inverse[(1, 1)].max(inverse[(2, 2)]))).sqrt();
        sigma = if n > 6.0 { own } else { f64::INFINITY };
    }
    Some(Harmonics {
        r: x[0],
        x: x[1],
        y: x[2],
        second: [x[3], x[4]],
        sigma,
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::super::edges::Grey;
    use super::*;

    fn discs(size: usize, discs: &[([f64; 2], f64, f32)]) -> Grey {
        let mut data = vec![0.2_f32; size * size];
        for (i, v) in data.iter_mut().enumerate() {
            let (x, y) = ((i % size) as f64, (i / size) as f64);
            for (at, r, light) in discs {
                // A px's share by its distance from the edge.
                let inside = (r - (x - at[0]).hypot(y - at[1]) + 0.5).clamp(0.0, 1.0) as f32;
                *v += inside * (light - *v);
            }
        }
        Grey {
            width: size,
            height: size,
            data,
        }
    }

    // Circles drawn at known places are found there within a tenth of a px.
    #[test]
    fn circles_are_where_they_were_drawn() {
        let drawn = [
            ([150.3, 148.8], 120.4, 0.5),
            ([147.1, 152.6], 80.2, 0.9),
            ([140.9, 155.2], 22.7, 0.1),
        ];
        let search = Search {
            size: [300, 300],
            radii: [8.0, 220.0],
            most: 8,
            least_covered: 0.5,
        };
        let found = find(&discs(300, &drawn).edges(1.2), &search);
        assert_eq!(found.len(), 3, "{found:?}");
        for (at, r, light) in drawn {
            let one = found
                .iter()
                .find(|c| (c.radius - r).abs() < 0.5)
                .unwrap_or_else(|| panic!("{r} not in {found:?}"));
            assert!(
                (one.at[0] - at[0]).hypot(one.at[1] - at[1]) < 0.1,
                "{one:?} for {at:?}"
            );
            assert_eq!(one.dark_inside, light < 0.2);
            assert!(one.covered > 0.95 && one.sigma < 0.3, "{one:?}");
        }
    }

    #[test]
    fn straight_edges_and_noise_are_no_circles() {
        let mut picture = discs(200, &[]);
        for (i, v) in picture.data.iter_mut().enumerate() {
            let (x, y) = (i % 200, i / 200);
            if (40..160).contains(&x) && (60..150).contains(&y) {
                *v = 0.8;
            }
            *v += ((i * 7919 % 101) as f32 - 50.0) * 2e-4;
        }
        let search = Search {
            size: [200, 200],
            radii: [8.0, 150.0],
            most: 8,
            least_covered: 0.5,
        };
        assert_eq!(find(&picture.edges(1.2), &search), []);
    }
}
