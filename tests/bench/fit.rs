//! One fit on a 128 x 128 stamp, set against the transforms it needs.
//!
//! `cargo run --release -p tubewright-startest --example fit`. Beside it, in turn, run
//! as many bare two-dimensional transforms as the fit made, of the same size: the ratio
//! of the two times says how near the whole comes to that cost. `RAYON_NUM_THREADS=1`
//! for one core.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod row;

use rustfft::num_complex::Complex32;
use std::{hint::black_box, ops::ControlFlow, time::Instant};
use {
    optics::{
        fourier::{Scratch, Square},
        wavefront::{Wavefront, a4_from_w020},
    },
    startest::{
        fit::{FitOptions, Start, fit, picture_of},
        frame::{Frame, Setup, Side, Stamp},
        measure::{Unreadable, measure},
    },
};

const SIZE: usize = 128;

/// A Schmidt-Cassegrain of 200 mm at F/10, ten waves out of focus.
fn scene(bandwidth_nm: f64) -> (Stamp, Setup, Start) {
    let setup = Setup {
        aperture_mm: 200.0,
        focal_mm: 2000.0,
        obstruction: 0.34,
        pixel_um: 5.86,
        wavelength_nm: 550.0,
        bandwidth_nm,
        side: Side::Outside,
        vanes: None,
    };
    let truth = Wavefront::flat()
        .with(4, a4_from_w020(10.0))
        .with(5, 0.02)
        .with(6, -0.03)
        .with(7, 0.05)
        .with(8, -0.08)
        .with(11, 0.03);
    let at = [64.2, 62.9];
    let light = picture_of(&setup, &truth, at, 3.0, SIZE).unwrap();
    let top = light.iter().copied().fold(0.0, f64::max);
    // Noise from a fixed sequence, of the size photons make.
    let mut seed = 1u64;
    let mut uniform = || {
        seed = seed
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (seed >> 11) as f64 / (1u64 << 53) as f64 - 0.5
    };
    let mean: Vec<f64> = light.iter().map(|v| 1e4 * v / top + 200.0).collect();
    let sigma: Vec<f64> = mean.iter().map(|v| v.sqrt()).collect();
    let data = mean
        .iter()
        .zip(&sigma)
        .map(|(m, s)| m + s * 12f64.sqrt() * uniform())
        .collect();
    let start = Start {
        centre_px: [at[0] - 3.5, at[1] - 2.2],
        outer_radius_px: 38.5,
        shadow_radius_px: Some(13.0),
        coma_waves: [-0.06, 0.04],
        coma_sigma_waves: 0.03,
    };
    (
        Stamp {
            size: SIZE,
            data,
            sigma,
            frames: 1,
        },
        setup,
        start,
    )
}

fn transforms(square: &Square, count: usize, data: &mut Vec<Complex32>, scratch: &mut Scratch) {
    for _ in 0..count {
        square.forward(data, square.size, scratch);
        // Keep the numbers finite.
        data[0] = Complex32::new(1e-3, 0.0);
        let scale = 1.0 / square.size as f32;
        data.iter_mut().for_each(|z| *z *= scale);
    }
}

fn main() {
    let options = FitOptions::default();
    for bandwidth in [0.0, 100.0, 250.0] {
        let (stamp, setup, start) = scene(bandwidth);
        let found = fit(&stamp, &setup, &start, &options).expect("a fit");
        let work = found.work;
        let count = work.transforms.round() as usize;
        let square = Square::new(work.transform_size);
        let mut data = vec![Complex32::new(1e-3, 0.0); square.size.pow(2)];
        let mut scratch = Scratch::default();
        // The two side by side, in turn, so that both see the same machine.
        let (mut whole, mut bare) = (0.0, 0.0);
        for _ in 0..10 {
            let began = Instant::now();
            black_box(fit(&stamp, &setup, &start, &options)).ok();
            whole += began.elapsed().as_secs_f64();
            let began = Instant::now();
            transforms(&square, count, &mut data, &mut scratch);
            bare += began.elapsed().as_secs_f64();
        }
        println!(
            "band {bandwidth} nm: {:?} pictures and {:?} sets of derivatives (full, coarse), \
             {count} transforms of {} squared; the fit takes {:.2} times their time; coma off by \
             {:.5} waves",
            work.pictures,
            work.slopes,
            work.transform_size,
            whole / bare,
            (found.coma()[0] + 0.08).hypot(found.coma()[1] - 0.05),
        );
    }
    whole_of_measure();
}

/// Everything `measure` does on 30 frames that are in memory, beside the transforms
/// its fit needs.
fn whole_of_measure() {
    let setup = row::setup();
    let frames: Vec<Frame> = row::frames(30).collect();
    let run = || {
        let items = frames.iter().cloned().map(Ok::<_, Unreadable>);
        measure(items, &setup, &mut |_| ControlFlow::Continue(()))
    };
    let work = run().fitted.expect("a fit").work;
    let count = work.transforms.round() as usize;
    let square = Square::new(work.transform_size);
    let mut data = vec![Complex32::new(1e-3, 0.0); square.size.pow(2)];
    let mut scratch = Scratch::default();
    let (mut whole, mut bare) = (0.0, 0.0);
    for _ in 0..5 {
        let began = Instant::now();
        black_box(run());
        whole += began.elapsed().as_secs_f64();
        let began = Instant::now();
        transforms(&square, count, &mut data, &mut scratch);
        bare += began.elapsed().as_secs_f64();
    }
    println!(
        "30 frames of 640x480: {:?} pictures and {:?} sets of derivatives (full, coarse), {count} \
         transforms of {} squared; all of measure takes {:.2} times their time",
        work.pictures,
        work.slopes,
        work.transform_size,
        whole / bare,
    );
}
