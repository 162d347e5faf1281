//! Simulated instruments and people for the study of collimation sessions. The truth is an
//! exact trace of an instrument that differs from what the adviser believes: its
//! prescription, screws, another element out of line, slack; people misread,
//! mistell and mis-turn.

use bench::advice::LEAST_RATIO;
use bench::orientation::{Map, Shade, Side, apart_deg};
use bench::screw::{Element, Mechanism, Screw};
use nalgebra::Vector2;
use optics::prescription::{Layout, Numbers, Prescription};
use optics::seeing;
use optics::trace::{ARCMIN_RAD, Part, Shift};
use optics::wavefront::w131_from_coma;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use startest::by_eye::{ByEye, DonutWidth, Unevenness, judge_by_eye};

use super::hands::Screws;
use super::rendered::{self, Night};
use super::world::World;

/// A number from the normal distribution (Box-Muller).
pub fn normal(rng: &mut ChaCha8Rng) -> f64 {
    let u: f64 = rng.random_range(1e-12..1.0);
    let v: f64 = rng.random_range(0.0..std::f64::consts::TAU);
    (-2.0 * u.ln()).sqrt() * v.cos()
}

/// A kind of instrument as clubs own it.
#[derive(Debug, Clone, Copy)]
pub struct Kind {
    pub name: &'static str,
    pub layout: Layout,
    pub aperture_mm: f64,
    pub focal_mm: f64,
    pub obstruction: f64,
    pub element: Element,
    pub mechanism: Mechanism,
    pub pitch_mm: f64,
    pub lever_mm: f64,
}

/// The designs of the study.
pub const KINDS: [Kind; 8] = [
    Kind {
        name: "Schmidt-Cassegrain 203 mm f/10",
        layout: Layout::SchmidtCassegrain,
        aperture_mm: 203.0,
        focal_mm: 2030.0,
        obstruction: 0.34,
        element: Element::Secondary,
        mechanism: Mechanism::Pivot,
        pitch_mm: 0.7,
        lever_mm: 20.0,
    },
    Kind {
        name: "Schmidt-Cassegrain 279 mm f/10",
        layout: Layout::SchmidtCassegrain,
        aperture_mm: 279.0,
        focal_mm: 2790.0,
        obstruction: 0.34,
        element: Element::Secondary,
        mechanism: Mechanism::Pivot,
        pitch_mm: 0.7,
        lever_mm: 28.0,
    },
    Kind {
        name: "aplanatic Schmidt-Cassegrain 203 mm f/10",
        layout: Layout::AplanaticSchmidtCassegrain,
        aperture_mm: 203.0,
        focal_mm: 2030.0,
        obstruction: 0.37,
        element: Element::Secondary,
        mechanism: Mechanism::Pivot,
        pitch_mm: 0.7,
        lever_mm: 20.0,
    },
    Kind {
        name: "Ritchey-Chretien 203 mm f/8",
        layout: Layout::RitcheyChretien,
        aperture_mm: 203.0,
        focal_mm: 1624.0,
        obstruction: 0.45,
        element: Element::Secondary,
        mechanism: Mechanism::Pivot,
        pitch_mm: 0.7,
        lever_mm: 18.0,
    },
    Kind {
        name: "classical Cassegrain 203 mm f/12",
        layout: Layout::ClassicalCassegrain,
        aperture_mm: 203.0,
        focal_mm: 2436.0,
        obstruction: 0.33,
        element: Element::Secondary,
        mechanism: Mechanism::PushPull,
        pitch_mm: 0.7,
        lever_mm: 27.0,
    },
    Kind {
        name: "Newtonian 203 mm f/5",
        layout: Layout::Newtonian,
        aperture_mm: 203.0,
        focal_mm: 1015.0,
        obstruction: 0.28,
        element: Element::Primary,
        mechanism: Mechanism::Spring,
        pitch_mm: 0.8,
        lever_mm: 128.0,
    },
    Kind {
        name: "Newtonian 203 mm f/6",
        layout: Layout::Newtonian,
        aperture_mm: 203.0,
        focal_mm: 1218.0,
        obstruction: 0.25,
        element: Element::Primary,
        mechanism: Mechanism::Spring,
        pitch_mm: 0.8,
        lever_mm: 128.0,
    },
    Kind {
        name: "Maksutov 150 mm f/12",
        layout: Layout::MaksutovCassegrain,
        aperture_mm: 150.0,
        focal_mm: 1800.0,
        obstruction: 0.33,
        element: Element::Primary,
        mechanism: Mechanism::PushPull,
        pitch_mm: 1.0,
        lever_mm: 62.0,
    },
];

impl Kind {
    pub fn part(&self) -> Part {
        match self.element {
            Element::Primary => Part::Primary,
            _ => Part::Secondary,
        }
    }

    /// As the register holds it: what the adviser goes by.
    pub fn registered(&self) -> (Prescription, Vec<Screw>) {
        let n = Numbers::usual(self.layout, self.aperture_mm, self.focal_mm);
        let p = Prescription::new(self.layout, n).expect("a usual instrument");
        (p, self.screws())
    }

    fn screws(&self) -> Vec<Screw> {
        [0.0, 120.0, 240.0]
            .iter()
            .enumerate()
            .map(|(i, &clock_deg)| Screw {
                label: format!("S{}", i + 1),
                element: self.element,
                clock_deg,
                pitch_mm: self.pitch_mm,
                lever_mm: self.lever_mm,
                mechanism: self.mechanism,
            })
            .collect()
    }
}

/// How well things are seen tonight.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    Frames,
    Eye,
    /// Frames drawn and measured.
    Rendered,
}

/// One instrument out of line, with the people who work on it.
#[derive(Clone)]
pub struct Truth {
    pub kind: Kind,
    pub world: World,
    pub prescription: Prescription,
    screws: Screws,
    /// Tilt of the element, arc minutes.
    pub tilt: Vector2<f64>,
    /// Another element that stands out of line, and stays so but for the corners.
    pub fixed: Shift,
    pub map: Map,
    pub side: Side,
    pub side_told: Side,
    pub diagonal: bool,
    pub seeing_arcsec: f64,
    pub method: Method,
    /// Whether the last adjustment was made the wrong way round.
    pub last_wrong: bool,
    eye: Person,
    /// For the checks of the side alone, so that all else stays as drawn.
    checking: ChaCha8Rng,
    /// Scale of the camera's measurement over the true one.
    frame_scale: f64,
    frames: usize,
}

/// An eye and its habits.
#[derive(Debug, Clone, Copy)]
struct Person {
    /// The person's idea of the donut's width over the true one.
    width_bias: f64,
    /// What each look adds.
    width_scatter: f64,
    /// How uneven a ring looks, over the truth.
    uneven_bias: f64,
    /// By how much the thin side is seen turned, degrees.
    clock_bias_deg: f64,
    rings: bool,
}

impl Truth {
    /// A hidden misalignment: RMS coma from `least` to `most`, waves.
    pub fn draw(
        kind: Kind,
        method: Method,
        world: World,
        (least, most): (f64, f64),
        rng: &mut ChaCha8Rng,
    ) -> Self {
        let usual = Numbers::usual(kind.layout, kind.aperture_mm, kind.focal_mm);
        let prescription = loop {
            let n = Numbers {
                focal_mm: kind.focal_mm * (1.0 + 0.01 * normal(rng)),
                primary_ratio: match kind.layout {
                    Layout::Newtonian | Layout::MaksutovCassegrain => usual.primary_ratio,
                    _ => usual.primary_ratio * (1.0 + 0.05 * normal(rng)),
                },
                back_focus_mm: usual.back_focus_mm * (1.0 + 0.12 * normal(rng)),
                ..usual
            };
            if let Ok(p) = Prescription::new(kind.layout, n) {
                break p;
            }
        };
        let screws = Screws::draw(&kind.screws(), world, rng);
        let other = match (kind.layout, kind.part()) {
            (Layout::MaksutovCassegrain, _) => Part::Meniscus,
            (_, Part::Primary) => Part::Flat,
            _ => Part::Primary,
        };
        let vertex = prescription.vertex_mm(other).expect("has it");
        let fixed = Shift {
            part: other,
            pivot_mm: vertex,
            tilt_rad: Vector2::new(normal(rng), normal(rng)) * 1.5 * ARCMIN_RAD,
            decentre_mm: Vector2::zeros(),
        };
        let mut truth = Self {
            kind,
            world,
            prescription,
            screws,
            tilt: Vector2::zeros(),
            fixed,
            map: Map {
                turn_deg: rng.random_range(0.0..360.0),
                mirrored: rng.random_bool(0.5),
            },
            side: if rng.random_bool(0.5) {
                Side::Inside
            } else {
                Side::Outside
            },
            side_told: Side::Unknown,
            diagonal: false,
            seeing_arcsec: rng.random_range(world.seeing_arcsec.0..world.seeing_arcsec.1),
            method,
            last_wrong: false,
            eye: Person {
                width_bias: (world.width_bias * normal(rng).clamp(-2.2, 2.2)).exp(),
                width_scatter: world.width_scatter.0
                    + (world.width_scatter.1 - world.width_scatter.0) * rng.random::<f64>(),
                uneven_bias: (world.uneven_bias * normal(rng)).exp(),
                clock_bias_deg: world.clock_bias_deg * normal(rng),
                rings: rng.random_bool(world.counts_rings),
            },
            checking: ChaCha8Rng::seed_from_u64(rng.clone().random()),
            frame_scale: 1.0 + 0.04 * normal(rng),
            frames: rng.random_range(30..120),
        };
        let roll: f64 = rng.random();
        truth.side_told = if roll < world.side_unknown {
            Side::Unknown
        } else if roll < world.side_unknown + world.side_wrong {
            if truth.side == Side::Inside {
                Side::Outside
            } else {
                Side::Inside
            }
        } else {
            truth.side
        };
        truth.diagonal = truth.map.mirrored == rng.random_bool(world.mirrored);
        truth.put_out_of_line(rng.random_range(least..most), rng);
        truth
    }

    /// Whether this person counts rings rather than judging the width.
    pub fn counts_rings(&self) -> bool {
        self.eye.rings
    }

    /// Whether the star stands on the other side of focus than was told: outside is
    /// taken where nothing was.
    pub fn told_other_side(&self) -> bool {
        match self.side_told {
            Side::Unknown => self.side == Side::Inside,
            told => told != self.side,
        }
    }

    /// A person checks the side of focus by drawing the eyepiece out.
    pub fn checks_side(&mut self) -> Side {
        let roll: f64 = self.checking.random();
        let (wrong, unknown) = (self.world.check_wrong, self.world.check_unknown);
        if roll < unknown {
            Side::Unknown
        } else if roll < unknown + (1.0 - unknown) * wrong {
            match self.side {
                Side::Inside => Side::Outside,
                _ => Side::Inside,
            }
        } else {
            self.side
        }
    }

    /// The same instrument and person on another night: out again, camera and
    /// diagonal put in anew, another air.
    #[allow(dead_code)]
    pub fn another_night(&mut self, (least, most): (f64, f64), rng: &mut ChaCha8Rng) {
        let w = self.world;
        self.map = Map {
            turn_deg: rng.random_range(0.0..360.0),
            mirrored: rng.random_bool(0.5),
        };
        self.diagonal = self.map.mirrored == rng.random_bool(w.mirrored);
        self.seeing_arcsec = rng.random_range(w.seeing_arcsec.0..w.seeing_arcsec.1);
        self.put_out_of_line(rng.random_range(least..most), rng);
    }

    /// The air as a person enters it, on Antoniadi's scale; some do not.
    pub fn antoniadi(&self, rng: &mut ChaCha8Rng) -> Option<i64> {
        rng.random_bool(self.world.enters_air).then_some({
            match self.seeing_arcsec {
                s if s < 1.25 => 1,
                s if s < 2.0 => 2,
                s if s < 3.0 => 3,
                s if s < 4.2 => 4,
                _ => 5,
            }
        })
    }

    /// Tilts the element, from where it stands, until the coma is so much.
    pub fn put_out_of_line(&mut self, wanted: f64, rng: &mut ChaCha8Rng) {
        let from = self.tilt;
        let way = rng.random_range(0.0..std::f64::consts::TAU);
        let way = Vector2::new(way.cos(), way.sin());
        let (mut low, mut high) = (0.0, 1.0);
        while self.coma_at(from + way * high).norm() < wanted && high < 500.0 {
            (low, high) = (high, high * 1.6);
        }
        for _ in 0..30 {
            let middle = (low + high) / 2.0;
            if self.coma_at(from + way * middle).norm() < wanted {
                low = middle;
            } else {
                high = middle;
            }
        }
        self.tilt = from + way * high;
    }

    fn shifts_at(&self, tilt_arcmin: Vector2<f64>) -> [Shift; 2] {
        let part = self.kind.part();
        let moved = Shift {
            part,
            pivot_mm: self.prescription.vertex_mm(part).expect("has it"),
            tilt_rad: tilt_arcmin * ARCMIN_RAD,
            decentre_mm: Vector2::zeros(),
        };
        [moved, self.fixed]
    }

    /// How its elements stand.
    pub fn shifts(&self) -> [Shift; 2] {
        self.shifts_at(self.tilt)
    }

    fn coma_at(&self, tilt_arcmin: Vector2<f64>) -> Vector2<f64> {
        if self.kind.layout != Layout::MaksutovCassegrain {
            return self.traced(tilt_arcmin);
        }
        // Its primary works so slowly that the tilts are degrees, where the trace
        // that brings the star back loses it: the response to small ones holds.
        let none = self.traced(Vector2::zeros());
        let slope = [Vector2::x(), Vector2::y()].map(|way| self.traced(way) - none);
        none + slope[0] * tilt_arcmin.x + slope[1] * tilt_arcmin.y
    }

    fn traced(&self, tilt_arcmin: Vector2<f64>) -> Vector2<f64> {
        self.prescription
            .system
            .centred_image(&self.shifts_at(tilt_arcmin))
            .map_or(Vector2::new(9.0, 9.0), |image| {
                Vector2::from(image.wavefront.coma())
            })
    }

    /// The true coma, star in the middle, tube's frame, waves.
    pub fn coma(&self) -> Vector2<f64> {
        self.coma_at(self.tilt)
    }

    /// The same in the picture.
    pub fn coma_seen(&self) -> Vector2<f64> {
        self.map.matrix() * self.coma()
    }

    /// A person turns what they were asked: within 15 %, now and then the wrong
    /// way; slack is lost when a screw is turned back. Returns where the star
    /// jumped in the picture, clock degrees.
    pub fn turn(&mut self, turns: &[f64], rng: &mut ChaCha8Rng) -> f64 {
        let made = self.screws.turn(turns, rng);
        self.last_wrong = made.wrong_way;
        let before = self.place();
        self.tilt += made.tilt;
        let jump = self.map.matrix() * (self.place() - before);
        let jump_deg = jump.x.atan2(jump.y).to_degrees();
        to_hour(jump_deg + 15.0 * normal(rng))
    }

    /// From here on it is at the star.
    pub fn reaches_the_star(&mut self) {
        self.screws.wrong_next = self.world.wrong_first;
    }

    /// Where a star on the tube's axis falls.
    fn place(&self) -> Vector2<f64> {
        self.prescription
            .system
            .image(&self.shifts(), Vector2::zeros())
            .map_or(Vector2::zeros(), |image| image.place_mm)
    }

    /// A person shades a clock position and tells where it went dark.
    pub fn shade(&self, tube_deg: f64, rng: &mut ChaCha8Rng) -> Shade {
        let half = if self.side == Side::Inside {
            180.0
        } else {
            0.0
        };
        let hand = tube_deg + 8.0 * normal(rng);
        let dark = self.map.to_picture(hand) + half + 10.0 * normal(rng);
        Shade {
            tube_deg,
            picture_deg: to_hour(dark),
            side: self.side_told,
        }
    }

    /// A look at the star: the coma vector told and its told 1-sigma.
    /// `defocus_waves` is how far out of focus the adviser asked for.
    /// By eye `None` when the shadow touches the rim: go further out and look again.
    pub fn look(&self, defocus_waves: f64, rng: &mut ChaCha8Rng) -> Option<([f64; 2], f64)> {
        let r0 = seeing::r0_mm(self.seeing_arcsec, 550.0);
        let d_over_r0 = self.kind.aperture_mm / r0;
        let coma = self.coma_seen();
        match self.method {
            Method::Frames => {
                let floor = seeing::coma_floor_waves(d_over_r0, self.frames);
                let sigma = floor.hypot(0.008);
                let seen = coma * self.frame_scale + Vector2::new(normal(rng), normal(rng)) * sigma;
                Some(([seen.x, seen.y], sigma * rng.random_range(0.8..1.3)))
            }
            Method::Rendered => rendered::look(
                &Night {
                    kind: self.kind,
                    seeing_arcsec: self.seeing_arcsec,
                    frames: self.frames,
                    inside: self.side == Side::Inside,
                    told: self.side_told,
                },
                coma,
                defocus_waves,
                rng,
            ),
            Method::Eye => self.eye(coma, d_over_r0, defocus_waves, rng),
        }
    }

    fn eye(
        &self,
        coma: Vector2<f64>,
        d_over_r0: f64,
        defocus_waves: f64,
        rng: &mut ChaCha8Rng,
    ) -> Option<([f64; 2], f64)> {
        let eps = self.kind.obstruction;
        // The eye averages the air over some ten independent moments.
        let air = seeing::coma_floor_waves(d_over_r0, 10);
        let seen = coma + Vector2::new(normal(rng), normal(rng)) * air;
        let w020 = (defocus_waves * (1.0 + 0.15 * normal(rng)).max(0.4)).min(60.0);
        let skew = w131_from_coma(seen.norm()) * 1.5 * (1.0 + eps) / w020 * self.eye.uneven_bias;
        let ratio = ((1.0 - skew) / (1.0 + skew)).max(0.0);
        // Judged to about a tenth, told to a tenth.
        let told = ((ratio + 0.07 * normal(rng)).clamp(0.05, 1.0) * 10.0).round() / 10.0;
        // Hopelessly far out: a tenth is all that can be said.
        if told < LEAST_RATIO && defocus_waves < 50.0 {
            return None;
        }
        let told = told.max(0.1);
        let thin = (-seen.x).atan2(-seen.y).to_degrees() + self.eye.clock_bias_deg;
        let thin = to_hour(thin + 10.0 * normal(rng));
        let width_arcsec = 2.0 * 4.0 * w020 * 0.55e-3 / self.kind.aperture_mm * 206_264.8;
        let scatter = (self.eye.width_scatter * normal(rng)).exp();
        let width = if self.eye.rings {
            DonutWidth::Rings {
                count: rings(
                    w020 * self.eye.width_bias,
                    self.world.miscount * normal(rng),
                ),
            }
        } else {
            DonutWidth::OfTrueField {
                share: 1.0,
                true_field_deg: width_arcsec * self.eye.width_bias * scatter / 3600.0,
            }
        };
        let judged = judge_by_eye(&ByEye {
            aperture_mm: self.kind.aperture_mm,
            obstruction: eps,
            width,
            unevenness: Unevenness::Ratio(told),
            thin_clock_deg: (told < 0.95).then_some(thin),
            side_sign: 1.0,
        })
        .ok()?;
        Some((
            [judged.coma_x_waves, judged.coma_y_waves],
            judged.coma_component_sigma_waves,
        ))
    }

    /// A Newtonian's mark beside the Cheshire's ring, in mm on the tube's
    /// clock, as a person tells it: to half a millimetre and a clock hour.
    pub fn mark(&self, rng: &mut ChaCha8Rng) -> [f64; 2] {
        // The ring's reflection lies where the mirror faces the focus squarely,
        // towards the raised side, 2 f t from the mark.
        let offset = self.tilt * (-2.0 * self.kind.focal_mm * ARCMIN_RAD);
        let seen = offset + Vector2::new(normal(rng), normal(rng)) * 0.6;
        let size = (seen.norm() * 2.0).round() / 2.0;
        let clock = to_hour(seen.x.atan2(seen.y).to_degrees() + 8.0 * normal(rng)).to_radians();
        [size * clock.sin(), size * clock.cos()]
    }
}

/// Bright rings that show at this defocus with an obstruction of about a third
/// (3, 5, 6 at 3, 6.5, 10 waves; one more every 3.5 waves beyond), miscounted.
fn rings(w020: f64, off: f64) -> f64 {
    let count = match w020 {
        w if w < 6.5 => 3.0 + (w - 3.0) * 2.0 / 3.5,
        w => 5.0 + (w - 6.5) / 3.5,
    };
    (count + off).round().clamp(1.0, 40.0)
}

/// The nearest clock hour, degrees.
pub fn to_hour(deg: f64) -> f64 {
    ((deg / 30.0).round() * 30.0).rem_euclid(360.0)
}

/// Of the screws, the nearest to a tube clock.
pub fn nearest(screws: &[Screw], clock_deg: f64) -> usize {
    let mut best = 0;
    for (i, s) in screws.iter().enumerate() {
        if apart_deg(s.clock_deg, clock_deg) < apart_deg(screws[best].clock_deg, clock_deg) {
            best = i;
        }
    }
    best
}
