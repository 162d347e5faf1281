//! `tubewright measure`: frames of a defocused star in, coma with its error out.

use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use super::figures::{figure, sentence, tell, with_error};
use clap::ValueEnum;
use clap::builder::{PossibleValue, PossibleValuesParser, TypedValueParser};
use tubewright::library::instruments::Design;
use tubewright::library::lamp::{Lamp, Traced, Unfit};
use tubewright::startest::decode::{DecodeError, FrameReader, Limits, Still};
use tubewright::startest::frame::{Frame, Setup, Side, Vanes};
use tubewright::startest::measure::{
    Drift, FieldComa, KnownScale, Options, Outcome, Unreadable, measure_pair, measure_stills,
    measure_with,
};
use tubewright::startest::report::{Report, Verdict};
use tubewright::startest::words::waves_with_error;
use tubewright::startest::{panels, pictures};

use super::{BROKEN, USAGE};

/// Arguments of `measure`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
All frames must show the same star at the same focus. FITS (also cubes and gzipped), PNG, TIFF and \
JPEG are read. Waves are of 550 nm, directions are clock degrees in the picture as displayed.\n\n\
Exit codes: 0 measured, 2 wrong usage, 3 refused (the reason is on standard error, and in the JSON).")]
pub struct MeasureArgs {
    /// Pictures of one defocused star, all at the same focus
    #[arg(
        required_unless_present_any = ["inside", "outside", "follow"],
        conflicts_with_all = ["inside", "outside"],
        value_name = "FRAME"
    )]
    frames: Vec<PathBuf>,
    /// Pictures taken inside focus, of a pair of sets that is measured together
    #[arg(long, value_name = "FRAME", num_args = 1.., requires = "outside")]
    inside: Vec<PathBuf>,
    /// Pictures taken outside focus, of the same star through the same camera
    #[arg(long, value_name = "FRAME", num_args = 1.., requires = "inside")]
    outside: Vec<PathBuf>,
    /// Clear aperture, mm
    #[arg(
        long,
        value_name = "MM",
        env = "TUBEWRIGHT_APERTURE_MM",
        allow_negative_numbers = true
    )]
    aperture_mm: f64,
    /// Focal length as used, with any reducer or Barlow, mm; without it and the pixel pitch the
    /// frames are a phone's stills, held at an eyepiece, and the scale is found from the rings
    #[arg(
        long,
        value_name = "MM",
        env = "TUBEWRIGHT_FOCAL_MM",
        allow_negative_numbers = true
    )]
    focal_mm: Option<f64>,
    /// Central obstruction: its diameter over the aperture's; 0 for none
    #[arg(
        long,
        value_name = "RATIO",
        env = "TUBEWRIGHT_OBSTRUCTION",
        allow_negative_numbers = true
    )]
    obstruction: f64,
    /// Pixel pitch of the frames, with binning, micrometres
    #[arg(
        long,
        value_name = "UM",
        env = "TUBEWRIGHT_PIXEL_UM",
        allow_negative_numbers = true,
        requires = "focal_mm"
    )]
    pixel_um: Option<f64>,
    /// Side of focus the frames were taken on; of a pair: in whose pictures the vanes stand as told
    #[arg(long, value_parser = side(), default_value = "unknown", env = "TUBEWRIGHT_SIDE")]
    side: Side,
    /// Middle of the band the frames were taken in, nm
    #[arg(
        long,
        value_name = "NM",
        default_value_t = 550.0,
        env = "TUBEWRIGHT_WAVELENGTH_NM",
        allow_negative_numbers = true
    )]
    wavelength_nm: f64,
    /// Full width of the band, nm: 0 for a line, 250 for white light
    #[arg(
        long,
        value_name = "NM",
        default_value_t = 100.0,
        env = "TUBEWRIGHT_BANDWIDTH_NM",
        allow_negative_numbers = true
    )]
    bandwidth_nm: f64,
    /// How many vanes hold the secondary: they are in the model when told
    #[arg(
        long,
        value_name = "COUNT",
        env = "TUBEWRIGHT_VANES",
        requires = "vane_mm"
    )]
    vanes: Option<u32>,
    /// Thickness of a vane, mm
    #[arg(
        long,
        value_name = "MM",
        env = "TUBEWRIGHT_VANE_MM",
        requires = "vanes"
    )]
    vane_mm: Option<f64>,
    /// Direction of the first vane in the picture, degrees clockwise from up
    #[arg(
        long,
        value_name = "DEGREES",
        default_value_t = 0.0,
        env = "TUBEWRIGHT_VANE_CLOCK_DEG",
        allow_negative_numbers = true
    )]
    vane_clock_deg: f64,
    /// Coma that a star away from the middle of uncropped frames has by itself, to be taken off
    #[arg(long, value_enum, default_value_t = FieldDesign::None, env = "TUBEWRIGHT_FIELD_COMA")]
    field_coma: FieldDesign,
    /// Fit Noll's terms 12 to 15 as well
    #[arg(long, env = "TUBEWRIGHT_HIGHER_TERMS")]
    higher_terms: bool,
    /// Taken at an artificial star so many metres from the front glass, or from a Newtonian's
    /// primary mirror: what its distance makes is told apart, and coma given as a star shows it
    #[arg(long, value_name = "M", requires_all = ["design", "focal_mm"], conflicts_with = "follow")]
    lamp_m: Option<f64>,
    /// Design of the instrument at an artificial star: newtonian, schmidt-cassegrain, achromat ...
    #[arg(long, value_name = "DESIGN", requires = "lamp_m")]
    design: Option<Design>,
    /// How much the eyepiece magnifies, where a phone took stills that say what focal length it
    /// has: tells the scale beside the rings
    #[arg(long, value_name = "TIMES", conflicts_with = "pixel_um")]
    magnification: Option<f64>,
    /// How fast the star drifts through a phone's picture with the mount's motor off, pixels a
    /// second; with --declination-deg tells the scale beside the rings
    #[arg(
        long,
        value_name = "PX",
        requires = "declination_deg",
        conflicts_with = "pixel_um"
    )]
    drift_px_s: Option<f64>,
    /// The star's declination, degrees
    #[arg(
        long,
        value_name = "DEGREES",
        requires = "drift_px_s",
        allow_negative_numbers = true
    )]
    declination_deg: Option<f64>,
    /// Read the rings alone, without the diffraction fit: quicker and rougher
    #[arg(long, env = "TUBEWRIGHT_RINGS_ONLY")]
    rings_only: bool,
    /// Write pictures into this folder, made when missing: the stacked donut, what was measured
    /// on it, model, residual, the ring unrolled, coma as an arrow
    #[arg(long, value_name = "DIR", env = "TUBEWRIGHT_PICTURES")]
    pictures: Option<PathBuf>,
    /// Print one JSON object instead of words; when following, one on a line for each reading
    #[arg(long, env = "TUBEWRIGHT_JSON")]
    json: bool,
    #[command(flatten)]
    follow: super::follow::FollowArgs,
}

/// The words for a side of focus.
fn side() -> impl TypedValueParser<Value = Side> {
    const SIDES: [(&str, &str, Side); 3] = [
        (
            "inside",
            "Between the objective and the focus: focuser racked in",
            Side::Inside,
        ),
        (
            "outside",
            "Beyond the focus: focuser racked out",
            Side::Outside,
        ),
        ("unknown", "Not known", Side::Unknown),
    ];
    let words = SIDES.map(|(word, help, _)| PossibleValue::new(word).help(help));
    PossibleValuesParser::new(words).map(|told| {
        let side = SIDES.iter().find(|(word, ..)| *word == told);
        side.map_or(Side::Unknown, |(.., side)| *side)
    })
}

/// Whose own coma a star off the axis shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum FieldDesign {
    /// Take nothing off
    None,
    /// A paraboloid without corrector
    Newtonian,
}

/// How well a drift is timed by hand, 1-sigma as a share (common practice, no source).
const DRIFT_SIGMA: f64 = 0.02;

impl MeasureArgs {
    fn options(&self, setup: &Setup) -> Options {
        let mut options = Options {
            fit: !self.rings_only,
            field_coma: match self.field_coma {
                FieldDesign::None => None,
                FieldDesign::Newtonian => Some(FieldComa::paraboloid(setup)),
            },
            known_scale: self.known_scale(),
            ..Options::default()
        };
        options.fit_options.higher_modes = self.higher_terms;
        options
    }

    /// What is told of the scale of a phone's stills.
    fn known_scale(&self) -> KnownScale {
        let drift = self.drift_px_s.zip(self.declination_deg);
        KnownScale {
            magnification: self.magnification,
            drift: drift.map(|(px_s, declination_deg)| Drift {
                px_s,
                px_s_sigma: DRIFT_SIGMA * px_s,
                declination_deg,
            }),
        }
    }

    /// Whether the frames are a phone's stills, whose scale nobody knows.
    fn by_phone(&self) -> bool {
        self.pixel_um.is_none()
    }

    /// What the distance of an artificial star changes, if it was one.
    fn lamp(&self) -> Result<Option<Lamp>, Unfit> {
        let told = self.lamp_m.zip(self.design).zip(self.focal_mm);
        told.map(|((metres, design), focal_mm)| {
            Traced::of_design(design, self.aperture_mm, focal_mm)?.lamp(metres)
        })
        .transpose()
    }

    fn setup(&self) -> Setup {
        Setup {
            aperture_mm: self.aperture_mm,
            // A phone's stand for nothing.
            focal_mm: self.focal_mm.unwrap_or(10.0 * self.aperture_mm),
            obstruction: self.obstruction,
            pixel_um: self.pixel_um.unwrap_or(2.0),
            wavelength_nm: self.wavelength_nm,
            bandwidth_nm: self.bandwidth_nm,
            side: self.side,
            vanes: self.vanes.map(|count| Vanes {
                count,
                width_mm: self.vane_mm.unwrap_or(0.0),
                clock_deg: self.vane_clock_deg,
            }),
        }
    }

    fn measured(&self, setup: &Setup) -> Outcome {
        let options = self.options(setup);
        let of = |paths: &[PathBuf]| {
            let paths = paths.to_vec();
            paths.into_iter().flat_map(|path| frames_in(&path))
        };
        let mut on = |_| ControlFlow::Continue(());
        if self.by_phone() {
            return measure_stills(
                self.frames.iter().map(|p| still_in(p)),
                setup,
                &options,
                &mut on,
            );
        }
        if self.inside.is_empty() {
            measure_with(of(&self.frames), setup, &options, &mut on)
        } else {
            measure_pair(
                of(&self.inside),
                of(&self.outside),
                setup,
                &options,
                &mut on,
            )
        }
    }
}

/// Measures and prints.
pub fn run(args: MeasureArgs) -> ExitCode {
    let setup = args.setup();
    if let Some(fault) = setup.fault() {
        eprintln!("tubewright: --{fault}");
        return ExitCode::from(USAGE);
    }
    if let Some((number, words)) = args.known_scale().fault() {
        let flag = match number {
            "magnification" => "--magnification",
            "declination" => "--declination-deg",
            _ => "--drift-px-s",
        };
        eprintln!("tubewright: {flag}: {words}.");
        return ExitCode::from(USAGE);
    }
    let alone = !args.inside.is_empty() || args.follow.folder().is_some();
    if args.by_phone() && args.focal_mm.is_some() && args.lamp_m.is_none() {
        eprintln!(
            "tubewright: --focal-mm needs --pixel-um; a phone's stills take neither, but at an artificial star"
        );
        return ExitCode::from(USAGE);
    }
    let lamp = match args.lamp() {
        Ok(lamp) => lamp,
        Err(unfit) => {
            eprintln!("tubewright: --lamp-m: {unfit}.");
            return ExitCode::from(USAGE);
        }
    };
    let setup = match &lamp {
        Some(lamp) => Setup {
            focal_mm: setup.focal_mm * lamp.focal_share,
            ..setup
        },
        None => setup,
    };
    if args.by_phone() && (alone || args.rings_only) {
        eprintln!(
            "tubewright: --focal-mm and --pixel-um are needed for pairs, for following and for the rings alone"
        );
        return ExitCode::from(USAGE);
    }
    if let Some(folder) = args.follow.folder() {
        return super::follow::run(
            &args.follow,
            folder,
            &setup,
            &args.options(&setup),
            args.json,
        );
    }
    let mut outcome = args.measured(&setup);
    if let Some(lamp) = &lamp {
        lamp.told_as_a_star(&mut outcome.report);
    }
    if let Some(folder) = &args.pictures
        && let Err(error) = write_pictures(folder, &outcome)
    {
        eprintln!("tubewright: --pictures {}: {error}", folder.display());
        return ExitCode::from(BROKEN);
    }
    let report = &outcome.report;
    let printed = if args.json {
        serde_json::to_string_pretty(report)
    } else {
        Ok(in_words(report, &setup))
    };
    let refused = match report.verdict {
        Verdict::Measured => &[],
        Verdict::Refused => report.reasons.as_slice(),
    };
    tell(printed, report.verdict, refused)
}

/// Writes what can be shown of an outcome.
fn write_pictures(folder: &Path, outcome: &Outcome) -> Result<(), Box<dyn std::error::Error>> {
    std::fs::create_dir_all(folder)?;
    let sets = [
        (outcome.stack.as_ref(), outcome.geometry.as_ref(), ""),
        (
            outcome.inside.as_ref().map(|i| &i.0),
            outcome.inside.as_ref().map(|i| &i.1),
            "-inside",
        ),
    ];
    for (stack, geometry, suffix) in sets {
        let Some(stack) = stack else { continue };
        let name = format!("donut{suffix}.png");
        std::fs::write(folder.join(&name), pictures::donut_png(&stack.stamp)?)?;
        if let Some(geometry) = geometry {
            let svg =
                pictures::overlay_svg(&stack.stamp, geometry, &outcome.report, Some(&name), "shot");
            std::fs::write(folder.join(format!("measured{suffix}.svg")), svg)?;
        }
    }
    for panel in panels::panels(outcome)? {
        std::fs::write(folder.join(format!("{}.png", panel.name)), panel.png)?;
    }
    if let Some(svg) = panels::coma_svg(&outcome.report, "coma") {
        std::fs::write(folder.join("coma.svg"), svg)?;
    }
    Ok(())
}

/// A phone's still.
fn still_in(path: &Path) -> Result<Still, Unreadable> {
    Still::open(path, &Limits::default()).map_err(|error| unreadable(path, &error))
}

/// A file that cannot be read.
fn unreadable(path: &Path, error: &DecodeError) -> Unreadable {
    Unreadable {
        name: path.file_name().map_or_else(
            || path.display().to_string(),
            |n| n.to_string_lossy().into_owned(),
        ),
        code: error.code().to_owned(),
        text: error.to_string(),
        mend: error.mend().to_owned(),
    }
}

/// The pictures of one file; a file that cannot be read counts as one.
fn frames_in(path: &Path) -> Box<dyn Iterator<Item = Result<Frame, Unreadable>>> {
    let from = path.to_owned();
    let refuse = move |error: &DecodeError| unreadable(&from, error);
    match FrameReader::open(path, &Limits::default()) {
        Ok(reader) => Box::new(reader.map(move |frame| frame.map_err(|error| refuse(&error)))),
        Err(error) => Box::new(std::iter::once(Err(refuse(&error)))),
    }
}

/// The report in plain words.
fn in_words(report: &Report, setup: &Setup) -> String {
    let mut lines = Vec::new();
    let frames = &report.frames;
    if let (Some(rings), Some(wave)) = (&report.rings, &report.wavefront) {
        lines.push(format!(
            "Coma {} waves RMS (at 550 nm, over the full circle).",
            with_error(wave.coma_rms_waves, wave.coma_rms_waves_sigma)
        ));
        if setup.obstruction > 0.0 {
            lines.push(format!(
                "Over the aperture with its obstruction: {} waves RMS.",
                waves_with_error(wave.coma_annular_rms_waves, wave.coma_rms_waves_sigma).0
            ));
        }
        if wave.coma_rms_waves > 2.0 * wave.coma_rms_waves_sigma {
            lines.push(format!(
                "Thin side at {} degrees clockwise from up in the picture (about {} o'clock).",
                figure(rings.thin_clock_deg, rings.thin_clock_deg_sigma, 0),
                oclock(rings.thin_clock_deg)
            ));
        } else {
            lines.push("No thin side stands out from the error.".to_owned());
        }
        if let Some(q) = rings.thin_to_thick {
            lines.push(format!("Thin to thick: {q:.2}."));
        }
        let shadow = rings
            .shadow_radius_px
            .map_or_else(String::new, |r| format!(", shadow radius {r:.1} px"));
        lines.push(format!(
            "Donut: outer radius {:.1} px{shadow}, centres {} px apart, {:.1} waves out of focus.",
            rings.outer_radius_px,
            figure(rings.offset_px, rings.offset_px_sigma, 2),
            wave.defocus_waves.abs()
        ));
        lines.extend(about_the_fit(report, setup));
        if let Some(strehl) = report.strehl_from_coma {
            lines.push(format!(
                "Strehl ratio if coma were the only error: {strehl:.2}, by {}.",
                report.strehl_formula
            ));
        }
    } else {
        lines.push("Refused: no measurement.".to_owned());
    }
    if let Some(scale) = &report.scale {
        lines.push(format!(
            "Scale, from the rings: {} arc seconds a pixel.",
            figure(scale.arcsec_per_px, scale.arcsec_per_px_sigma, 3)
        ));
    }
    lines.push(format!(
        "Frames: {} given, {} used.",
        frames.given, frames.used
    ));
    for d in &frames.dropped {
        lines.push(format!(
            "  left out {}: {} [{}]",
            d.frame,
            d.text.trim_end_matches('.'),
            d.code
        ));
    }
    if frames.dropped_not_listed > 0 {
        lines.push(format!("  and {} more", frames.dropped_not_listed));
    }
    for note in &report.notes {
        lines.push(format!("Note: {}", sentence(note)));
    }
    lines.join("\n")
}

/// What only the diffraction fit tells.
fn about_the_fit(report: &Report, setup: &Setup) -> Vec<String> {
    let mut lines = Vec::new();
    let Some(fit) = &report.fit else {
        return lines;
    };
    let terms: Vec<String> = fit
        .terms
        .iter()
        .filter(|t| !matches!(t.noll, 4 | 7 | 8))
        .map(|t| {
            let sign = if t.waves < 0.0 { "" } else { "+" };
            format!("{} {sign}{}", t.name, with_error(t.waves, t.sigma_waves))
        })
        .collect();
    lines.push(format!(
        "By diffraction fit, waves RMS: {}.",
        terms.join(", ")
    ));
    if setup.side == Side::Unknown && fit.side_used != "both" && fit.side_preferred.is_none() {
        lines.push(format!(
            "Signs of astigmatism and spherical aberration hold {} focus; they turn over on the other side.",
            fit.side_used
        ));
    }
    if let (Some(other), Some(a)) = (&report.cross_check, &report.agreement) {
        lines.push(format!(
            "The {} by itself: {}, {:.3} apart, which {}.",
            if other.method == "geometry" {
                "ring geometry"
            } else {
                &other.method
            },
            with_error(other.coma_rms_waves, other.coma_rms_waves_sigma),
            a.apart_waves,
            if a.agree {
                "the errors explain"
            } else {
                "the errors do not explain"
            }
        ));
    }
    if let Some(d) = fit.shadow_decentre {
        lines.push(format!(
            "Shadow off centre by {} % of the radius (as seen outside focus: {:+.2} % right, {:+.2} % up).",
            figure(100.0 * d.x.hypot(d.y), 100.0 * d.sigma, 2),
            100.0 * d.x,
            100.0 * d.y
        ));
    }
    if let Some(air) = report.air {
        lines.push(if air.fwhm_arcsec < 0.05 {
            "Air: no blur was found; it leaves hardly any coma.".to_owned()
        } else {
            format!(
                "Air: blur of {:.1} arc seconds, D/r0 {:.1}; it leaves some {} waves of coma in so many frames.",
                air.fwhm_arcsec,
                air.d_over_r0,
                waves_with_error(air.coma_floor_waves, air.coma_floor_waves).0
            )
        });
        if let Some([x, y]) = air.coma_taken_off_waves {
            lines.push(format!(
                "Of the air's own coma {:.4} waves were told by its higher modes and taken off.",
                x.hypot(y)
            ));
        }
    }
    lines
}

fn oclock(clock_deg: f64) -> u32 {
    match (clock_deg / 30.0).round() as u32 % 12 {
        0 => 12,
        hour => hour,
    }
}
