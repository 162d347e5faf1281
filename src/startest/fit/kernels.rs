//! Sums over a stamp's pixels.

/// -1/2 to 1/2 across a stamp.
pub(super) fn plane(i: usize, size: usize) -> f64 {
    (i as f64 + 0.5) / size as f64 - 0.5
}

/// Dot product in blocks: single precision inside, double between.
pub(super) fn dot(a: &[f32], b: &[f32]) -> f64 {
    a.chunks(512)
        .zip(b.chunks(512))
        .map(|(a, b)| {
            let mut lanes = [0f32; 16];
            let (ca, cb) = (a.chunks_exact(16), b.chunks_exact(16));
            let rest: f32 = ca
                .remainder()
                .iter()
                .zip(cb.remainder())
                .map(|(x, y)| x * y)
                .sum();
            for (x, y) in ca.zip(cb) {
                for k in 0..16 {
                    lanes[k] += x[k] * y[k];
                }
            }
            f64::from(rest + lanes.iter().sum::<f32>())
        })
        .sum()
}

/// Dot products of one with four at once, so that each is read a quarter as often.
fn four_dots(a: &[f32], b: [&[f32]; 4]) -> [f64; 4] {
    const BLOCK: usize = 512;
    const LANES: usize = 8;
    let mut sums = [0f64; 4];
    let n = b.iter().fold(a.len(), |n, b| n.min(b.len()));
    let mut from = 0;
    while from < n {
        let to = (from + BLOCK).min(n);
        let (a, b) = (&a[from..to], b.map(|b| &b[from..to]));
        let mut lanes = [[0f32; LANES]; 4];
        let whole = a.len() / LANES * LANES;
        let rows = a[..whole]
            .chunks_exact(LANES)
            .zip(b[0][..whole].chunks_exact(LANES))
            .zip(b[1][..whole].chunks_exact(LANES))
            .zip(b[2][..whole].chunks_exact(LANES))
            .zip(b[3][..whole].chunks_exact(LANES));
        for ((((x, b0), b1), b2), b3) in rows {
            for l in 0..LANES {
                lanes[0][l] += x[l] * b0[l];
                lanes[1][l] += x[l] * b1[l];
                lanes[2][l] += x[l] * b2[l];
                lanes[3][l] += x[l] * b3[l];
            }
        }
        for ((sum, lanes), b) in sums.iter_mut().zip(&lanes).zip(&b) {
            let rest: f32 = (whole..a.len()).map(|i| a[i] * b[i]).sum();
            *sum += f64::from(rest + lanes.iter().sum::<f32>());
        }
        from = to;
    }
    sums
}

/// Dot products of one with each of a list.
pub(super) fn dots<'a>(a: &[f32], list: impl Iterator<Item = &'a [f32]>) -> Vec<f64> {
    let list: Vec<&[f32]> = list.collect();
    let mut out = Vec::with_capacity(list.len());
    let fours = list.chunks_exact(4);
    let rest = fours.remainder();
    for f in fours {
        out.extend(four_dots(a, [f[0], f[1], f[2], f[3]]));
    }
    out.extend(rest.iter().map(|b| dot(a, b)));
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_products_are_the_single_ones() {
        let row = |k: usize| -> Vec<f32> {
            (0..1203)
                .map(|i| ((i * (k + 3)) % 17) as f32 - 8.0)
                .collect()
        };
        let rows: Vec<Vec<f32>> = (0..7).map(row).collect();
        let all = dots(&rows[2], rows.iter().map(Vec::as_slice));
        for (got, b) in all.iter().zip(&rows) {
            let want: f64 = rows[2].iter().zip(b).map(|(x, y)| f64::from(x * y)).sum();
            assert!((got - want).abs() < 1e-3, "{got} {want}");
        }
    }
}
