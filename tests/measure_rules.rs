//! Rules every measurement must keep: turning, mirroring, scaling, noise.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod measure_common;

use std::ops::ControlFlow;

use measure_common::{RayDonut, kept_cases, pictures, report_of, rings_report};
use startest::frame::{Frame, Setup};
use startest::measure::{Options, Unreadable, measure, measure_with};
use startest::pictures::{describe, donut_png, overlay_svg};
use startest::report::{Report, Verdict, Wavefront};

fn remade(
    frame: &Frame,
    width: usize,
    height: usize,
    from: impl Fn(usize, usize) -> (usize, usize),
) -> Frame {
    let data = (0..width * height)
        .map(|i| {
            let (x, y) = from(i % width, i / width);
            frame.data[y * frame.width + x]
        })
        .collect();
    Frame {
        width,
        height,
        data,
        ..frame.clone()
    }
}

/// A quarter turn clockwise as displayed.
fn turned(f: &Frame) -> Frame {
    remade(f, f.height, f.width, |x, y| (y, f.height - 1 - x))
}

/// Left and right swapped.
fn mirrored(f: &Frame) -> Frame {
    remade(f, f.width, f.height, |x, y| (f.width - 1 - x, y))
}

fn wave(report: &Report) -> &Wavefront {
    assert_eq!(report.verdict, Verdict::Measured, "{:?}", report.reasons);
    report.wavefront.as_ref().unwrap()
}

fn good_sets() -> Vec<(String, Vec<Frame>, Setup)> {
    kept_cases()
        .into_iter()
        .filter(|c| {
            [
                "sct-outside",
                "refractor-outside",
                "gradient-hot",
                "maksutov-outside",
            ]
            .contains(&c.id.as_str())
        })
        .map(|c| {
            let frames = pictures(&c.sets[0].paths)
                .into_iter()
                .map(Result::unwrap)
                .collect();
            (c.id, frames, c.setup)
        })
        .collect()
}

fn rays(frames: &[Frame], setup: &Setup) -> Report {
    rings_report(frames.iter().cloned().map(Ok).collect(), setup)
}

fn report(frames: &[Frame], setup: &Setup) -> Report {
    report_of(frames.iter().cloned().map(Ok).collect(), setup)
}

#[test]
fn a_quarter_turn_of_the_frame_turns_the_answer() {
    for (id, frames, setup) in good_sets() {
        let before = report(&frames, &setup);
        let after = report(&frames.iter().map(turned).collect::<Vec<_>>(), &setup);
        let (b, a) = (wave(&before), wave(&after));
        // Clockwise: what pointed up points right. The two differ only by where
        // blocks of pixels and samples of the ring fall.
        let tolerance = 5e-4;
        assert!(
            (a.coma_x_waves - b.coma_y_waves).abs() < tolerance,
            "{id}: {a:?} {b:?}"
        );
        assert!((a.coma_y_waves + b.coma_x_waves).abs() < tolerance, "{id}");
        let turn = after.rings.unwrap().thin_clock_deg - before.rings.unwrap().thin_clock_deg;
        assert!(
            (turn.rem_euclid(360.0) - 90.0).abs() < 0.5,
            "{id}: turned by {turn}"
        );
    }
}

#[test]
fn mirroring_the_frame_mirrors_the_answer() {
    for (id, frames, setup) in good_sets() {
        let before = report(&frames, &setup);
        let after = report(&frames.iter().map(mirrored).collect::<Vec<_>>(), &setup);
        let (b, a) = (wave(&before), wave(&after));
        assert!((a.coma_x_waves + b.coma_x_waves).abs() < 5e-4, "{id}");
        assert!((a.coma_y_waves - b.coma_y_waves).abs() < 5e-4, "{id}");
    }
}

#[test]
fn more_light_changes_nothing() {
    for (id, frames, setup) in good_sets() {
        let before = report(&frames, &setup);
        let scaled: Vec<Frame> = frames
            .iter()
            .map(|f| Frame {
                data: f.data.iter().map(|v| 3.0 * v).collect(),
                full_scale: f.full_scale.map(|v| 3.0 * v),
                ..f.clone()
            })
            .collect();
        let after = report(&scaled, &setup);
        assert!(
            (wave(&after).coma_x_waves - wave(&before).coma_x_waves).abs() < 2e-5,
            "{id}"
        );
        assert!(
            (wave(&after).coma_y_waves - wave(&before).coma_y_waves).abs() < 2e-5,
            "{id}"
        );
        let ratio = wave(&after).coma_rms_waves_sigma / wave(&before).coma_rms_waves_sigma;
        assert!((ratio - 1.0).abs() < 0.05, "{id}: {ratio}");
    }
}

#[test]
fn twice_the_noise_raises_the_error() {
    let sigma = |noise: f64| -> f64 {
        let shots = 8;
        (0..shots)
            .map(|seed| {
                let donut = RayDonut {
                    skew: [0.1, 0.05],
                    noise,
                    seed,
                    ..RayDonut::default()
                };
                wave(&rays(&[donut.frame()], &donut.setup())).scatter_sigma_waves
            })
            .sum::<f64>()
            / f64::from(shots as u32)
    };
    let (quiet, loud) = (sigma(40.0), sigma(80.0));
    assert!(loud > 1.5 * quiet && loud < 3.0 * quiet, "{quiet} {loud}");
}

#[test]
fn rays_alone_are_read_as_they_were_cast() {
    // Rays know no diffraction, for which the readings are corrected by some
    // per cent: hence a tenth. The thin side is free of that.
    for skew in [[0.12, 0.0], [0.0, -0.12], [-0.06, 0.08]] {
        for eps in [0.0, 0.25, 0.45] {
            let donut = RayDonut {
                skew,
                eps,
                ..RayDonut::default()
            };
            let out = rays(&[donut.frame()], &donut.setup());
            let w = wave(&out);
            let [a8, a7] = donut.coma();
            let off = (w.coma_x_waves - a8).hypot(w.coma_y_waves - a7);
            assert!(
                off < 0.1 * a8.hypot(a7) + 0.002,
                "eps {eps} {skew:?}: off by {off:.4} of {:.4}",
                a8.hypot(a7)
            );
            let thin = (-a8).atan2(-a7).to_degrees().rem_euclid(360.0);
            let got = out.rings.unwrap().thin_clock_deg;
            let apart = (got - thin + 180.0).rem_euclid(360.0) - 180.0;
            assert!(
                apart.abs() < 1.5,
                "eps {eps} {skew:?}: thin side {got:.1}, not {thin:.1}"
            );
        }
    }
}

#[test]
fn a_bright_star_far_away_does_no_harm() {
    let donut = RayDonut {
        width: 260,
        skew: [0.1, 0.0],
        ..RayDonut::default()
    };
    let alone = rays(&[donut.frame()], &donut.setup());
    let other = RayDonut {
        centre: [205.0, 50.0],
        level: 600.0,
        sky: 0.0,
        noise: 0.0,
        width: 260,
        ..RayDonut::default()
    };
    let mut both = donut.frame();
    for (v, o) in both.data.iter_mut().zip(&other.frame().data) {
        *v += o;
    }
    let with = rays(&[both], &donut.setup());
    assert!((wave(&with).coma_x_waves - wave(&alone).coma_x_waves).abs() < 0.003);
}

#[test]
fn two_thousand_frames_pass_and_a_row_can_be_broken_off() {
    let donut = RayDonut {
        skew: [0.08, 0.0],
        width: 80,
        height: 80,
        centre: [40.2, 39.6],
        outer_radius: 12.0,
        ..RayDonut::default()
    };
    let frame = donut.frame();
    let many = (0..2000).map(|_| Ok::<_, Unreadable>(frame.clone()));
    let on = &mut |_| ControlFlow::Continue(());
    let out = measure_with(many, &donut.setup(), &Options::rings_only(), on);
    assert_eq!(out.report.verdict, Verdict::Measured);
    assert_eq!(out.report.frames.used, 2000);
    // However many frames there are: what the rays leave out stays in the error.
    let wavefront = out.report.wavefront.as_ref().unwrap();
    let (scatter, model) = (wavefront.scatter_sigma_waves, wavefront.model_sigma_waves);
    assert!(model >= 0.003, "{wavefront:?}");
    let whole = wavefront.coma_component_sigma_waves;
    assert!(
        (whole - scatter.hypot(model)).abs() < 1e-12,
        "{wavefront:?}"
    );
    let stack = out.stack.unwrap();
    assert!(
        (8..=16).contains(&stack.blocks.len()),
        "{}",
        stack.blocks.len()
    );
    assert_eq!(stack.blocks.iter().map(|b| b.frames).sum::<usize>(), 2000);

    let mut seen = 0;
    let broken = measure(
        (0..2000).map(|_| Ok(frame.clone())),
        &donut.setup(),
        &mut |p| {
            seen = p.seen;
            if p.seen == 20 {
                ControlFlow::Break(())
            } else {
                ControlFlow::Continue(())
            }
        },
    );
    assert_eq!(seen, 20);
    assert_eq!(broken.report.reasons[0].code, "cancelled");
}

#[test]
fn nothing_and_unreadable_files_are_refused() {
    let setup = RayDonut::default().setup();
    assert_eq!(report(&[], &setup).reasons[0].code, "no-frames");
    let bad = Unreadable {
        name: "a.png".into(),
        code: "x-y".into(),
        text: "t".into(),
        mend: "m".into(),
    };
    let refused = report_of(vec![Err(bad)], &setup);
    assert_eq!(refused.verdict, Verdict::Refused);
    assert_eq!(refused.reasons[0].code, "x-y");
    assert_eq!(refused.frames.dropped[0].frame, "a.png");
}

#[test]
fn the_report_comes_back_from_its_json() {
    let donut = RayDonut {
        skew: [0.1, 0.0],
        ..RayDonut::default()
    };
    let report = rays(&[donut.frame()], &donut.setup());
    let text = serde_json::to_string(&report).unwrap();
    let value: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!(value["verdict"], "measured");
    for name in [
        "outer_radius_px",
        "shadow_radius_px",
        "centre_px",
        "offset_px",
        "thin_clock_deg",
        "thin_to_thick",
    ] {
        assert!(!value["rings"][name].is_null(), "rings.{name}");
    }
    for name in [
        "coma_rms_waves",
        "coma_rms_waves_sigma",
        "defocus_waves",
        "coma_annular_rms_waves",
    ] {
        assert!(value["wavefront"][name].is_f64(), "wavefront.{name}");
    }
    let back: Report = serde_json::from_str(&text).unwrap();
    assert_eq!(back.frames, report.frames);
    assert_eq!(back.verdict, report.verdict);
}

#[test]
fn pictures_can_be_drawn_and_read_out() {
    let donut = RayDonut {
        skew: [0.1, 0.0],
        ..RayDonut::default()
    };
    // Rays have no fringes; a fit would say that this is no star's light.
    let rings = Options::rings_only();
    let out = measure_with([Ok(donut.frame())], &donut.setup(), &rings, &mut |_| {
        ControlFlow::Continue(())
    });
    let (stack, geometry) = (out.stack.unwrap(), out.geometry.unwrap());
    let png = donut_png(&stack.stamp).unwrap();
    assert_eq!(png[..8], *b"\x89PNG\r\n\x1a\n");
    let svg = overlay_svg(&stack.stamp, &geometry, &out.report, Some("a&b.png"), "one");
    assert!(
        svg.contains("href=\"a&amp;b.png\"")
            && svg.contains("Width of the ring")
            && svg.contains(">thin<")
    );
    assert!(!svg.contains("<circle"), "no circles over the donut");
    assert!(!svg.contains("style="));
    assert!(svg.contains(&describe(&out.report)));
}
