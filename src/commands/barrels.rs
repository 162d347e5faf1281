//! `tubewright barrels`: pictures through both barrels of a binocular in, how far apart
//! they point out.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use tubewright::optics::barrels::{Accepted, Angle, Judged, Limits as Bounds, Verdict, figure};
use tubewright::startest::barrels::{Opening, Pair, Picture, Report, Scale, Setup, measure};
use tubewright::startest::report;

use super::USAGE;
use super::figures::{sentence, tell};

/// Arguments of `barrels`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Fix the binocular and a straight rest behind it. Take the far scene through the left eyepiece, slide \
the camera over without turning it, and take the same through the right one. Never the Sun.\n\n\
Angles are arc minutes at the eye. Convergence: the eyes must turn in; step: the left picture stands \
higher; turn: the left picture is turned clockwise.\n\n\
Exit codes: 0 measured, 2 wrong usage, 3 refused (the reason is on standard error, and in the JSON).")]
pub struct BarrelsArgs {
    /// Pictures through the left eyepiece
    #[arg(long, value_name = "PICTURE", num_args = 1.., required = true)]
    left: Vec<PathBuf>,
    /// Pictures through the right eyepiece, as many and in the same order
    #[arg(long, value_name = "PICTURE", num_args = 1.., required = true)]
    right: Vec<PathBuf>,
    /// Left pictures at another opening of the hinge
    #[arg(long, value_name = "PICTURE", num_args = 1.., requires = "other_right")]
    other_left: Vec<PathBuf>,
    /// Right pictures at that opening
    #[arg(long, value_name = "PICTURE", num_args = 1.., requires = "other_left")]
    other_right: Vec<PathBuf>,
    /// Magnification of the binocular
    #[arg(long, value_name = "TIMES", env = "TUBEWRIGHT_MAGNIFICATION")]
    magnification: f64,
    /// Arc minutes at the eye that one pixel of the pictures has
    #[arg(
        long,
        value_name = "ARCMIN",
        required_unless_present = "object_mm",
        conflicts_with = "object_mm",
        env = "TUBEWRIGHT_ARCMIN_PER_PX"
    )]
    arcmin_per_px: Option<f64>,
    /// Width of something in the scene, mm: gives the scale with --object-px and --distance-m
    #[arg(long, value_name = "MM", requires_all = ["object_px", "distance_m"])]
    object_mm: Option<f64>,
    /// That width in the pictures, pixels
    #[arg(long, value_name = "PX", requires = "object_mm")]
    object_px: Option<f64>,
    /// Distance of the scene, m; left out for a star
    #[arg(long, value_name = "M")]
    distance_m: Option<f64>,
    /// Between the middles of both front lenses, mm
    #[arg(long, value_name = "MM", default_value_t = 120.0)]
    objectives_apart_mm: f64,
    /// By how much the rest turns the camera when it is slid over, arc minutes (1 sigma)
    #[arg(long, value_name = "ARCMIN", default_value_t = 4.0)]
    rest_arcmin: f64,
    /// The binocular has no hinge: one opening is enough
    #[arg(long)]
    no_hinge: bool,
    /// Print one JSON object instead of words
    #[arg(long, env = "TUBEWRIGHT_JSON")]
    json: bool,
}

impl BarrelsArgs {
    /// What was told wrong, if anything.
    fn fault(&self) -> Option<String> {
        if self.left.len() != self.right.len() || self.other_left.len() != self.other_right.len() {
            return Some("give as many right pictures as left ones".to_owned());
        }
        let mut bounds = vec![
            ("magnification", Some(self.magnification), 1.5..=100.0),
            ("arcmin-per-px", self.arcmin_per_px, 0.01..=60.0),
            ("object-mm", self.object_mm, 1.0..=1e6),
            ("object-px", self.object_px, 4.0..=1e5),
            ("distance-m", self.distance_m, 5.0..=1e5),
            (
                "objectives-apart-mm",
                Some(self.objectives_apart_mm),
                20.0..=500.0,
            ),
            ("rest-arcmin", Some(self.rest_arcmin), 0.0..=120.0),
        ];
        bounds.retain(|(_, value, within)| value.is_some_and(|v| !within.contains(&v)));
        let (name, _, within) = bounds.first()?;
        Some(format!(
            "--{name} lies between {} and {}",
            within.start(),
            within.end()
        ))
    }

    fn setup(&self) -> Setup {
        let scale = match (self.object_mm, self.distance_m, self.object_px) {
            (Some(width), Some(distance), Some(px)) => {
                Scale::of_object(width, distance, px, self.magnification)
            }
            // Clap asks for it where the object is not told.
            _ => Scale::told(self.arcmin_per_px.unwrap_or(1.0)),
        };
        Setup {
            scale,
            magnification: self.magnification,
            distance_m: self.distance_m,
            objectives_apart_mm: self.objectives_apart_mm,
            rest_arcmin: self.rest_arcmin,
            hinged: !self.no_hinge,
            bounds: Bounds::default(),
        }
    }
}

/// Measures and prints.
pub fn run(args: BarrelsArgs) -> ExitCode {
    if let Some(fault) = args.fault() {
        eprintln!("tubewright: {fault}");
        return ExitCode::from(USAGE);
    }
    let mut openings = Vec::new();
    for (left, right) in [
        (&args.left, &args.right),
        (&args.other_left, &args.other_right),
    ] {
        if left.is_empty() {
            continue;
        }
        openings.push(pairs(left, right));
    }
    let report = measure(&openings, &args.setup());
    let printed = if args.json {
        serde_json::to_string_pretty(&report)
    } else {
        Ok(in_words(&report, args.magnification))
    };
    tell(printed, report.verdict, &report.reasons)
}

fn pairs(left: &[PathBuf], right: &[PathBuf]) -> Vec<Pair> {
    left.iter()
        .zip(right)
        .map(|(l, r)| Ok([picture(l)?, picture(r)?]))
        .collect()
}

fn picture(path: &Path) -> Result<Picture, report::Reason> {
    let name = path.file_name().map_or_else(
        || path.display().to_string(),
        |n| n.to_string_lossy().into_owned(),
    );
    Picture::open(path, &name)
}

fn angle(angle: Angle) -> String {
    let places = if angle.sigma_arcmin < 0.95 { 1 } else { 0 };
    format!(
        "{} +- {}",
        figure(angle.arcmin.abs(), places),
        figure(angle.sigma_arcmin, places)
    )
}

/// The report in plain words.
fn in_words(report: &Report, magnification: f64) -> String {
    let mut lines = Vec::new();
    match &report.judged {
        Some(judged) => lines.push(verdict(judged).to_owned()),
        None => lines.push("Refused: no measurement.".to_owned()),
    }
    for (n, opening) in report.openings.iter().enumerate() {
        if report.openings.len() > 1 {
            lines.push(format!("Opening {}:", n + 1));
        }
        lines.extend(of_opening(opening, magnification));
    }
    if report.judged.is_some_and(|j| j.holds_at_one_only) {
        lines.push(
            "The barrels are parallel at one opening of the hinge only: they are not parallel to the hinge."
                .to_owned(),
        );
    }
    if report.judged.is_some() {
        let Accepted {
            step_arcmin,
            convergence_arcmin,
            divergence_arcmin,
            turn_arcmin,
        } = report.accepted;
        lines.push(format!(
            "Eyes accept, in arc minutes: convergence {convergence_arcmin}, divergence {divergence_arcmin}, step {step_arcmin}, turn {turn_arcmin}."
        ));
    }
    for note in &report.notes {
        lines.push(format!("Note: {}", sentence(note)));
    }
    lines.join("\n")
}

fn verdict(judged: &Judged) -> &'static str {
    match judged.verdict {
        Verdict::Fine => "Fine.",
        Verdict::MayStrain => "It may strain the eyes.",
        Verdict::NeedsBench => "It needs the bench.",
        Verdict::CannotTell => "This cannot be told.",
    }
}

fn of_opening(opening: &Opening, magnification: f64) -> Vec<String> {
    let apart = &opening.apart;
    let which = if apart.convergence.arcmin < 0.0 {
        "Divergence"
    } else {
        "Convergence"
    };
    let higher = if apart.step.arcmin < 0.0 {
        "right"
    } else {
        "left"
    };
    let mut lines = vec![
        format!(
            "  {which} {} arc minutes at the eye ({} at the object).",
            angle(apart.convergence),
            figure(apart.convergence.arcmin.abs() / magnification, 2)
        ),
        format!(
            "  Step {} arc minutes at the eye ({} at the object), the {higher} picture higher.",
            angle(apart.step),
            figure(apart.step.arcmin.abs() / magnification, 2)
        ),
    ];
    lines.push(match apart.turn {
        Some(turn) => format!(
            "  Turn {} arc minutes, the left picture {}.",
            angle(turn),
            if turn.arcmin < 0.0 {
                "anticlockwise"
            } else {
                "clockwise"
            }
        ),
        None => "  Turn not told.".to_owned(),
    });
    if opening.parallax_arcmin > 0.0 {
        lines.push(format!(
            "  The scene's own convergence of {} arc minutes is taken off.",
            figure(opening.parallax_arcmin, 1)
        ));
    }
    lines
}
