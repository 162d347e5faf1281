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
