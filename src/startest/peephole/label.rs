//! Which circle is which: by size, light and what lies within what.

use optics::peephole::Told;

use super::Refused;
use super::circles::{Circle, Search, find, fitted};
use super::edges::Grey;

/// Long side of the picture in which the large circles are looked for, px.
const LONG_SIDE: usize = 900;
/// Radius of the primary's rim where its inside is looked at, px.
const PRIMARY_PX: f64 = 300.0;
/// Radius of the bright face where the mark is looked for, px.
const FACE_PX: f64 = 90.0;
/// The primary's rim may be so unsharp, as a share of its radius.
const MOST_BLURRED: f64 = 0.08;

/// The circles in px of the picture as taken, from its top left px, y down.
#[derive(Debug, Clone)]
pub(super) struct Labelled {
    pub primary: Circle,
    pub draw: Option<Circle>,
    pub flat: Option<Circle>,
    pub shadow: Circle,
    pub face: Option<Circle>,
    pub mark: Option<Circle>,
}

/// Where a part of a picture lies in the picture.
#[derive(Debug, Clone, Copy)]
struct Lies {
    from: [f64; 2],
    step: f64,
}

impl Lies {
    fn out(self, c: &Circle) -> Circle {
        Circle {
            at: [
                self.from[0] + c.at[0] * self.step,
                self.from[1] + c.at[1] * self.step,
            ],
            radius: c.radius * self.step,
            sigma: c.sigma * self.step,
            ..*c
        }
    }
}

/// A square about a circle, `px` its radius there, `beyond` so much of it shown.
fn about(grey: &Grey, c: &Circle, px: f64, finest: f64, beyond: f64) -> (Grey, Lies) {
    let step = (c.radius / px).max(finest);
    let size = (2.0 * beyond * c.radius / step) as usize;
    let half = (size as f64 - 1.0) / 2.0 * step;
    let from = [c.at[0] - half, c.at[1] - half];
    (grey.cut(c.at, size, step), Lies { from, step })
}

/// Blur that suits a part: a px of the picture or of the part, whichever is larger.
fn blur(step: f64) -> f64 {
    (0.9 / step).clamp(1.2, 2.2)
}

/// Mean light on a ring.
fn ring(grey: &Grey, at: [f64; 2], radius: f64) -> f64 {
    let n = 90;
    (0..n)
        .map(|k| {
            let (s, c) = (std::f64::consts::TAU * f64::from(k) / f64::from(n)).sin_cos();
            grey.at(at[0] + radius * c, at[1] + radius * s)
        })
        .sum::<f64>()
        / f64::from(n)
}

/// How many px the light takes to change at a rim: by the middle one of many directions, so
/// that what lies across the rim does not count.
fn width(grey: &Grey, c: &Circle) -> f64 {
    let (r, n) = (c.radius, 60);
    let mut widths: Vec<f64> = (0..n)
        .map(|k| {
            let (sin, cos) = (std::f64::consts::TAU * f64::from(k) / f64::from(n)).sin_cos();
            let at = |share: f64| grey.at(c.at[0] + share * r * cos, c.at[1] + share * r * sin);
            let all = (at(0.82) - at(1.08)).abs();
            let steps = (0.16 * r) as i32;
            let steepest = (-steps..steps)
                .map(|k| {
                    let from = 1.0 + (f64::from(k) - 0.5) / r;
                    (at(from) - at(from + 1.0 / r)).abs()
                })
                .fold(1e-9, f64::max);
            all / steepest
        })
        .collect();
    widths.sort_by(f64::total_cmp);
    widths[widths.len() / 2]
}

/// What the circles may be, the likeliest first; the last has no flat and no drawtube.
pub(super) fn seen(grey: &Grey, told: &Told) -> Result<Vec<Labelled>, Refused> {
    let small = grey.smaller(LONG_SIDE);
    let scale = grey.width as f64 / small.width as f64;
    let lies = Lies {
        from: [0.5 * (scale - 1.0); 2],
        step: scale,
    };
    let long = small.width.max(small.height) as f64;
    let search = Search {
        size: [small.width, small.height],
        radii: [14.0, 0.7 * long],
        most: 14,
        least_covered: 0.42,
    };
    let circles = find(&small.edges(1.2), &search);
    let contrast = |c: &Circle| {
        ring(&small, c.at, 0.75 * c.radius) - ring(&small, c.at, 1.05 * c.radius + 2.0)
    };
    let mut bright: Vec<(f64, &Circle)> = circles
        .iter()
        .filter(|c| !c.dark_inside && c.covered > 0.5 && c.radius < 0.55 * long)
        .map(|c| ((c.covered + contrast(c)) * c.radius.sqrt(), c))
        .filter(|(_, c)| contrast(c) > 0.04)
        .collect();
    bright.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut refused = Refused::NoPrimary;
    for (_, rough) in bright.into_iter().take(6) {
        let cut = [0, 1].iter().any(|&i| {
            let size = search.size[i] as f64;
            rough.at[i] - rough.radius < -1.0 || rough.at[i] + rough.radius > size
        });
        let unsharp = width(&small, rough) > MOST_BLURRED * rough.radius;
        let inside = if cut {
            None
        } else {
            inside(grey, &lies.out(rough), told)
        };
        let Some((primary, shadow, within, at)) = inside else {
            if refused == Refused::NoPrimary && cut && rough.covered > 0.8 {
                refused = Refused::Cut;
            }
            if refused == Refused::NoPrimary && unsharp && rough.radius > 40.0 {
                refused = Refused::Blurred;
            }
            continue;
        };
        if unsharp {
            return Err(Refused::Blurred);
        }
        let mm_per_px = told.aperture_mm / (2.0 * primary.radius);
        let mut face = face(grey, &within, &at, &shadow, mm_per_px);
        // Edges that the blur runs together push each other away.
        let blur = 0.4 * scale * width(&small, rough);
        let mut shadow = shadow;
        if let Some(face) = &mut face
            && shadow.radius - face.radius - between(face, &shadow) < 3.0 * blur
        {
            face.sigma = face.sigma.hypot(0.5 * blur);
            shadow.sigma = shadow.sigma.hypot(0.5 * blur);
        }
        let mark = face.as_ref().and_then(|f| mark(grey, f, told, mm_per_px));
        let outer: Vec<Circle> = circles.iter().map(|c| lies.out(c)).collect();
        let all = outside(&outer, &primary, told);
        let all = all.into_iter().map(|[flat, draw]| Labelled {
            primary,
            draw,
            flat,
            shadow,
            face,
            mark,
        });
        return Ok(all.collect());
    }
    Err(refused)
}

/// The primary's rim anew, the flat's shadow in it, all circles within and how they lie.
fn inside(grey: &Grey, rough: &Circle, told: &Told) -> Option<(Circle, Circle, Vec<Circle>, Lies)> {
    let (part, lies) = about(grey, rough, PRIMARY_PX, 0.5, 1.14);
    let edges = part.edges(blur(lies.step));
    let px = rough.radius / lies.step;
    let search = Search {
        size: [part.width, part.height],
        radii: [4.0, 1.2 * px],
        most: 12,
        least_covered: 0.5,
    };
    let half = part.width as f64 / 2.0 - 0.5;
    let primary = fitted(&edges, [half, half], px, false, &search)?;
    let near = Search {
        radii: [4.0, 0.62 * px],
        ..search
    };
    let within: Vec<_> = edges
        .iter()
        .filter(|e| (e.x - primary.at[0]).hypot(e.y - primary.at[1]) < 0.93 * primary.radius)
        .copied()
        .collect();
    let circles = find(&within, &near);
    let share = told.flat_mm / told.aperture_mm;
    let shadow = circles
        .iter()
        .filter(|c| {
            let r = c.radius / primary.radius / share;
            let off = (c.at[0] - primary.at[0]).hypot(c.at[1] - primary.at[1]);
            c.dark_inside && (0.93..1.4).contains(&r) && off < 0.4 * primary.radius
        })
        // The holder's edge lies around the flat's.
        .max_by(|a, b| {
            let of = |c: &Circle| c.covered + 3.0 * c.radius / px;
            of(a).total_cmp(&of(b))
        })?;
    let light = |c: &Circle, share: f64| ring(&part, c.at, share * c.radius);
    if light(shadow, 1.25) < light(shadow, 0.93) + 0.08 {
        return None;
    }
    Some((lies.out(&primary), lies.out(shadow), circles, lies))
}

/// The bright face within the shadow: what stands out most in its light. The holder's inner
/// edge and the drawtube's end, mirrored, stand out little.
fn face(
    grey: &Grey,
    circles: &[Circle],
    lies: &Lies,
    shadow: &Circle,
    mm_per_px: f64,
) -> Option<Circle> {
    let stands_out = |c: &Circle| {
        let light = ring(grey, c.at, 0.8 * c.radius) - ring(grey, c.at, 1.12 * c.radius + 1.0);
        light * c.covered * c.radius.sqrt()
    };
    circles
        .iter()
        .map(|c| lies.out(c))
        .filter(|c| {
            !c.dark_inside
                && c.radius < 0.93 * shadow.radius
                && (6.0..25.0).contains(&(c.radius * mm_per_px))
                && between(c, shadow) < shadow.radius
                && ring(grey, c.at, 0.8 * c.radius) > ring(grey, c.at, 1.12 * c.radius + 1.0) + 0.08
        })
        .max_by(|a, b| stands_out(a).total_cmp(&stands_out(b)))
}

fn between(a: &Circle, b: &Circle) -> f64 {
    (a.at[0] - b.at[0]).hypot(a.at[1] - b.at[1])
}

/// The mark before the face: a circle that is not the hole.
fn mark(grey: &Grey, face: &Circle, told: &Told, mm_per_px: f64) -> Option<Circle> {
    let (part, lies) = about(grey, face, FACE_PX, 0.34, 1.25);
    let mm = mm_per_px * lies.step;
    let px = face.radius / lies.step;
    let middle = part.width as f64 / 2.0 - 0.5;
    let sigma = blur(lies.step);
    // A Gaussian's slope has so much of the noise of each px; px are `step` of the picture's.
    let noise = grey.noise() / (lies.step * (8.0 * std::f64::consts::PI).sqrt() * sigma * sigma);
    let edges: Vec<_> = part
        .edges_above(sigma, (5.0 * noise).max(0.0015))
        .into_iter()
        // Not the face's own edge.
        .filter(|e| ((e.x - middle).hypot(e.y - middle) - px).abs() > 0.07 * px)
        .collect();
    let search = Search {
        size: [part.width, part.height],
        radii: [3.0, 0.7 * px],
        most: 6,
        least_covered: 0.5,
    };
    let hole = 0.5 * told.hole_mm / mm;
    find(&edges, &search)
        .into_iter()
        .filter(|c| {
            let off = (c.at[0] - middle).hypot(c.at[1] - middle);
            let is_hole = off < 0.6 / mm + 1.0 && c.radius < 1.35 * hole + 1.0;
            !is_hole && (1.8..9.0).contains(&(c.radius * mm)) && off < 1.2 * px
        })
        .max_by(|a, b| (a.covered * a.radius.sqrt()).total_cmp(&(b.covered * b.radius.sqrt())))
        .map(|c| lies.out(&c))
}

/// The flat's rim and the drawtube's end around the primary's rim: what they may be, the
/// likeliest first.
fn outside(circles: &[Circle], primary: &Circle, told: &Told) -> Vec<[Option<Circle>; 2]> {
    let s = told.focal_mm + told.outside_focus_mm;
    let away = |mm: f64, c: &Circle| mm / told.aperture_mm * s * primary.radius / c.radius;
    let around = |c: &&Circle| {
        c.radius > 1.04 * primary.radius && between(c, primary) + primary.radius < 1.04 * c.radius
    };
    let (least, most) = (
        0.4 * told.aperture_mm + 25.0,
        (0.5 * told.aperture_mm + 150.0).min(0.6 * s),
    );
    let flats: Vec<&Circle> = circles
        .iter()
        .filter(around)
        .filter(|c| (least..most).contains(&away(told.flat_mm, c)) && c.covered > 0.5)
        // The cell or tube around the primary lies about its very middle.
        .filter(|c| {
            between(c, primary) > 0.005 * primary.radius + 0.3 || c.radius > 1.25 * primary.radius
        })
        .collect();
    let mut all: Vec<(f64, [Option<Circle>; 2])> = vec![(0.0, [None; 2])];
    for flat in &flats {
        // A holder's edge lies around the flat's own.
        let holds = |inner: &&&Circle| {
            (0.86..0.995).contains(&(inner.radius / flat.radius))
                && between(inner, flat) < 0.04 * flat.radius
        };
        let is_holder = flats.iter().any(|c| holds(&c));
        // What the flat shows of the tube around the primary is smaller than its rim.
        let score = flat.covered + 0.5 * (flat.radius / primary.radius).ln()
            - if is_holder { 0.3 } else { 0.0 };
        all.push((score, [Some(**flat), None]));
        let Some(draw_mm) = told.draw_mm else {
            continue;
        };
        for draw in circles.iter().filter(around) {
            // It ends about where the tube's wall is, well before the flat.
            let (d, b) = (away(draw_mm, draw), away(told.flat_mm, flat));
            let ends = (15.0..b - 0.35 * told.aperture_mm).contains(&d);
            if ends && draw.radius > 1.1 * flat.radius && draw.sigma < 1.5 {
                let both = score + 0.5 * draw.covered + 0.2;
                all.push((both, [Some(**flat), Some(*draw)]));
            }
        }
    }
    all.sort_by(|a, b| b.0.total_cmp(&a.0));
    all.into_iter().map(|(_, pair)| pair).collect()
}
