//! `tubewright peephole`: a picture down a Newtonian's focuser in, what is out and the next
//! adjustment.

use std::path::PathBuf;
use std::process::ExitCode;

use tubewright::bench::peephole::{Advice, next};
use tubewright::bench::words::clock_words;
use tubewright::optics::peephole::{Found, Judged, Offset, Told, Verdict};
use tubewright::startest::peephole::{Report, measure_file};

use super::USAGE;
use super::figures::{sentence, tell};

/// Arguments of `peephole`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
By day: point the tube at bright sky or a white wall, never near the Sun. Put a cap or sight tube \
with a hole and a bright inner face in the focuser. Hold the phone's lens to the hole, the tube's \
front end up in the picture, and take a sharp picture of all the circles.\n\n\
Offsets are in mm: at the flat, or at the primary. Directions are clock positions in the picture.\n\n\
Exit codes: 0 measured, 2 wrong usage, 3 refused (the reason is on standard error, and in the JSON).")]
pub struct PeepholeArgs {
    /// The picture: JPEG, PNG or TIFF, as taken, not cropped
    picture: PathBuf,
    /// Clear aperture, mm
    #[arg(long, value_name = "MM", env = "TUBEWRIGHT_APERTURE_MM")]
    aperture_mm: f64,
    /// Focal length, mm
    #[arg(long, value_name = "MM", env = "TUBEWRIGHT_FOCAL_MM")]
    focal_mm: f64,
    /// The flat's minor axis, mm
    #[arg(long, value_name = "MM")]
    flat_mm: f64,
    /// Inner diameter of the drawtube, mm; needed for the flat's place and tilt
    #[arg(long, value_name = "MM")]
    draw_mm: Option<f64>,
    /// Diameter of the peephole, mm
    #[arg(long, value_name = "MM", default_value_t = 3.0)]
    hole_mm: f64,
    /// How far the peephole is outside the focus, mm; negative is inside
    #[arg(
        long,
        value_name = "MM",
        default_value_t = 0.0,
        allow_negative_numbers = true
    )]
    outside_focus_mm: f64,
    /// Where the tube's front end lies in the picture, hours of a clock: 12 is up
    #[arg(long, value_name = "HOURS")]
    front_clock: Option<f64>,
    /// Print one JSON object instead of words
    #[arg(long, env = "TUBEWRIGHT_JSON")]
    json: bool,
}

impl PeepholeArgs {
    /// What was told wrong, if anything.
    fn fault(&self) -> Option<String> {
        let mut bounds = vec![
            ("aperture-mm", Some(self.aperture_mm), 50.0..=1000.0),
            ("focal-mm", Some(self.focal_mm), 200.0..=10_000.0),
            ("flat-mm", Some(self.flat_mm), 10.0..=300.0),
            ("draw-mm", self.draw_mm, 15.0..=150.0),
            ("hole-mm", Some(self.hole_mm), 0.5..=20.0),
            (
                "outside-focus-mm",
                Some(self.outside_focus_mm),
                -150.0..=250.0,
            ),
            ("front-clock", self.front_clock, 0.0..=12.0),
        ];
        bounds.retain(|(_, value, within)| value.is_some_and(|v| !within.contains(&v)));
        if let Some((name, _, within)) = bounds.first() {
            return Some(format!(
                "--{name} lies between {} and {}",
                within.start(),
                within.end()
            ));
        }
        (self.flat_mm > 0.6 * self.aperture_mm)
            .then(|| "--flat-mm is the flat's minor axis: less than 0.6 of the aperture".to_owned())
    }

    fn told(&self) -> Told {
        Told {
            aperture_mm: self.aperture_mm,
            focal_mm: self.focal_mm,
            flat_mm: self.flat_mm,
            draw_mm: self.draw_mm,
            outside_focus_mm: self.outside_focus_mm,
            hole_mm: self.hole_mm,
            front_clock_deg: self.front_clock.map(|h| 30.0 * h % 360.0),
        }
    }
}

/// What is printed as JSON: the report, and the next adjustment (`null` when refused).
#[derive(serde::Serialize)]
struct Printed<'a> {
    #[serde(flatten)]
    report: &'a Report,
    next: Option<PrintedNext>,
}

#[derive(serde::Serialize)]
struct PrintedNext {
    stage: tubewright::bench::mechanical::Stage,
    act: &'static str,
    words: Vec<String>,
}

/// Measures and prints.
pub fn run(args: PeepholeArgs) -> ExitCode {
    if let Some(fault) = args.fault() {
        eprintln!("tubewright: {fault}");
        return ExitCode::from(USAGE);
    }
    let told = args.told();
    let name = args.picture.file_name().map_or_else(
        || args.picture.display().to_string(),
        |n| n.to_string_lossy().into_owned(),
    );
    let report = measure_file(&args.picture, &name, &told);
    let advice = report.found.as_ref().map(|found| next(found, &told, None));
    let printed = if args.json {
        serde_json::to_string_pretty(&Printed {
            report: &report,
            next: advice.as_ref().map(|a| PrintedNext {
                stage: a.stage,
                act: a.code(),
                words: a.words(),
            }),
        })
    } else {
        Ok(in_words(&report, advice.as_ref()))
    };
    tell(printed, report.verdict, &report.reasons)
}

/// The report in plain words.
fn in_words(report: &Report, advice: Option<&Advice>) -> String {
    let mut lines = Vec::new();
    match (&report.found, advice) {
        (Some(found), Some(advice)) => {
            lines.extend(advice.words());
            lines.extend(of_found(found));
        }
        _ => lines.push("Refused: no measurement.".to_owned()),
    }
    let found: Vec<&str> = report.circles.iter().map(|c| c.which.words()).collect();
    if !found.is_empty() {
        lines.push(format!("Circles found: {}.", found.join(", ")));
    }
    for note in &report.notes {
        lines.push(format!("Note: {}", sentence(note)));
    }
    lines.join("\n")
}

fn offset(offset: Offset) -> String {
    format!(
        "{:.1} +- {:.1} mm towards {}",
        offset.size_mm(),
        offset.sigma_mm,
        clock_words(offset.clock_deg()).replace('\u{2019}', "'")
    )
}

fn judged(what: &str, judged: &Judged) -> String {
    let verdict = match judged.verdict {
        Verdict::Within => "within",
        Verdict::Out => "over",
        Verdict::CannotTell => "too close to tell from",
    };
    format!(
        "  {what}: {}, {verdict} its limit of {:.1} mm.",
        offset(judged.offset),
        judged.limit_mm
    )
}

fn of_found(found: &Found) -> Vec<String> {
    let mut lines = Vec::new();
    let mut told = |what: &str, of: Option<&Judged>| match of {
        Some(of) => lines.push(judged(what, of)),
        None => lines.push(format!("  {what}: not told.")),
    };
    told(
        "Flat off the focuser's axis, at the flat",
        found.flat.as_ref(),
    );
    told(
        "Mark off the focuser's axis, at the primary",
        found.tilt.as_ref(),
    );
    told(
        "Mark off the bright face's middle, at the primary",
        found.primary.as_ref(),
    );
    if let Some((coma, sigma)) = found.coma_rms_waves.zip(found.coma_sigma_waves) {
        lines.push(format!(
            "  Coma in the middle of the field: {coma:.3} +- {sigma:.3} waves RMS at 550 nm."
        ));
    }
    if let Some(of) = found.reflection {
        lines.push(format!(
            "  Primary's rim off the flat's, at the flat: {}.",
            offset(of)
        ));
    }
    lines.push(format!(
        "  Phone off the focuser's axis: {}; this is taken off.",
        offset(found.phone)
    ));
    lines
}
