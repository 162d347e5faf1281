//! A row of frames of one drifting star, made one at a time.
#![allow(clippy::unwrap_used, clippy::expect_used)]

use {
    optics::wavefront::{Wavefront, a4_from_w020},
    startest::{
        fit::picture_of,
        frame::{Frame, Setup, Side},
    },
};

pub const WIDTH: usize = 640;
pub const HEIGHT: usize = 480;
const STAMP: usize = 160;

/// A Schmidt-Cassegrain of 200 mm at F/10 behind a green filter.
pub fn setup() -> Setup {
    Setup {
        aperture_mm: 200.0,
        focal_mm: 2000.0,
        obstruction: 0.34,
        pixel_um: 5.86,
        wavelength_nm: 550.0,
        bandwidth_nm: 100.0,
        side: Side::Outside,
        vanes: None,
    }
}

/// `count` frames of 640 x 480, ten waves out of focus, 0.094 waves of coma, with
/// noise; the star drifts by half a pixel a frame and comes back.
pub fn frames(count: usize) -> impl Iterator<Item = Frame> {
    let truth = Wavefront::flat()
        .with(4, a4_from_w020(10.0))
        .with(6, -0.03)
        .with(7, 0.05)
        .with(8, -0.08)
        .with(11, 0.03);
    // Four places within a pixel are enough to keep the registering busy.
    let light: Vec<Vec<f64>> = (0..4)
        .map(|k| {
            let at = STAMP as f64 / 2.0 + 0.25 * f64::from(k);
            picture_of(&setup(), &truth, [at, at], 3.0, STAMP).unwrap()
        })
        .collect();
    let top = light[0].iter().copied().fold(0.0, f64::max);
    let mut seed = 1u64;
    let mut uniform = move || {
        seed = seed
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (seed >> 11) as f32 / (1u64 << 53) as f32 - 0.5
    };
    (0..count).map(move |k| {
        let drift = k % 120;
        let (left, above) = (200 + drift / 2, 150);
        let mut data = vec![0f32; WIDTH * HEIGHT];
        for v in &mut data {
            *v = 400.0 + 70.0 * uniform();
        }
        for (i, v) in light[k % 4].iter().enumerate() {
            let mean = (2e4 * v / top) as f32;
            data[(above + i / STAMP) * WIDTH + left + i % STAMP] +=
                mean + (12.0 * mean).sqrt() * uniform();
        }
        Frame {
            width: WIDTH,
            height: HEIGHT,
            data,
            full_scale: Some(65_535.0),
            name: format!("frame {k}"),
        }
    })
}
