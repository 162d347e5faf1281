//! A small run of the study in `studies/`: sittings end in line, in few goes,
//! and none runs away.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "studies/corners.rs"]
mod corners;
#[path = "studies/hands.rs"]
mod hands;
#[path = "studies/play.rs"]
mod play;
#[allow(dead_code)]
#[path = "studies/rendered.rs"]
mod rendered;
#[path = "studies/truth.rs"]
mod truth;

use play::{Outcome, sitting};

#[test]
fn simulated_sittings_end_in_line_without_running_away() {
    let pairs: Vec<_> = (0..12).map(|i| sitting(7, i)).collect();
    let led: Vec<&Outcome> = pairs.iter().map(|p| &p.led).collect();
    for o in &led {
        assert!(o.largest_turn <= 0.25, "{o:?}");
        assert!(o.left_waves <= o.start_waves, "{o:?}");
        assert!(o.goes <= 15 && o.end != "not ended", "{o:?}");
    }
    let within = led.iter().filter(|o| o.in_line).count();
    assert!(within >= 10, "{within} of 12");
    let median = |mut goes: Vec<usize>| {
        goes.sort_unstable();
        goes[goes.len() / 2]
    };
    for (method, most) in [("frames", 4), ("eye", 6)] {
        let goes = led.iter().filter(|o| o.method == method).map(|o| o.goes);
        assert!(median(goes.collect()) <= most, "{method}");
    }
    // The rule of thumb in the same run needs more and ends in line less often.
    let thumb = pairs.iter().filter(|p| p.rule.in_line).count();
    assert!(thumb < within, "{thumb} {within}");
    let goes = |of: fn(&play::Pair) -> usize| pairs.iter().map(of).sum::<usize>();
    assert!(goes(|p| p.led.goes) < goes(|p| p.rule.goes));
    // Shown in the JSON of the study.
    let json = serde_json::to_value(led[0]).unwrap();
    assert!(json["left_waves"].is_number() && json["worst_waves"].is_number());
}
