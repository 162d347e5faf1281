//! A star test from frames, logged from the command line.

use std::path::PathBuf;
use std::process::ExitCode;

use tubewright::library::attempts::{self, Attempt, AttemptState};
use tubewright::library::instruments::{Design, Instrument};
use tubewright::library::lamp::Lamp;
use tubewright::library::star_tests::FocusSide;
use tubewright::library::{AttemptId, Error};
use tubewright::startest::measure::KnownScale;
use tubewright::startest::report::Report;
use tubewright::web::measuring::{self, Circumstances, UNTOLD_PIXEL_UM};
use tubewright::web::star_test::no_star_test;

use super::block_on;
use super::desk::{Signed, audit, open, signer, told};

/// Arguments of `star-test`.
#[derive(Debug, clap::Args)]
pub struct StarTestArgs {
    /// The instrument's tag; its optics are as the register has them
    tag: String,
    /// Pictures of one defocused star, all at the same focus
    #[arg(required = true, value_name = "FRAME")]
    frames: Vec<PathBuf>,
    /// Pixel pitch of the frames, with binning, micrometres
    #[arg(
        long,
        value_name = "UM",
        env = "TUBEWRIGHT_PIXEL_UM",
        required_unless_present = "by_phone"
    )]
    pixel_um: Option<f64>,
    /// They are the stills of a phone held at the eyepiece: the scale is found from the rings
    #[arg(long)]
    by_phone: bool,
    /// inside, outside or unknown
    #[arg(long, default_value = "unknown", env = "TUBEWRIGHT_SIDE")]
    side: FocusSide,
    /// Barlow or reducer: how many times longer the focal length is with it
    #[arg(long, default_value_t = 1.0)]
    focal_factor: f64,
    /// Middle of the band, nm
    #[arg(
        long,
        value_name = "NM",
        default_value_t = 550.0,
        env = "TUBEWRIGHT_WAVELENGTH_NM"
    )]
    wavelength_nm: f64,
    /// Full width of the band, nm
    #[arg(
        long,
        value_name = "NM",
        default_value_t = 100.0,
        env = "TUBEWRIGHT_BANDWIDTH_NM"
    )]
    bandwidth_nm: f64,
    /// Taken at an artificial star so many metres away
    #[arg(long, value_name = "M")]
    lamp_m: Option<f64>,
    /// Note for the logbook
    #[arg(long, default_value = "")]
    note: String,
    #[command(flatten)]
    signed: Signed,
}

/// Measures frames with the instrument's optics, and logs the star test.
pub fn star_test(args: StarTestArgs) -> ExitCode {
    block_on(told(async move {
        let (library, now) = open(&args.signed).await?;
        let mut conn = library.read().await?;
        let instrument = Instrument::by_tag(&mut conn, &args.tag).await?;
        drop(conn);
        if !instrument.design.takes_star_test() {
            return Err(Error::Refused(no_star_test(&instrument)));
        }
        let lamp = args
            .lamp_m
            .map(|m| Lamp::at(&instrument, m))
            .transpose()
            .map_err(|unfit| Error::Refused(format!("--lamp-m: {unfit}.")))?;
        let circumstances = Circumstances {
            both_sides: false,
            field_coma: false,
            aperture_mm: instrument.aperture_mm,
            focal_mm: instrument.focal_mm * args.focal_factor,
            obstruction: instrument.obstruction,
            pixel_um: args.pixel_um.unwrap_or(UNTOLD_PIXEL_UM),
            wavelength_nm: args.wavelength_nm,
            bandwidth_nm: args.bandwidth_nm,
            side: args.side,
            diagonal: instrument.uses_diagonal,
            seeing: None,
            note: args.note.trim().to_owned(),
            vane_count: u32::try_from(instrument.vane_count).unwrap_or(0),
            meniscus: instrument.design == Design::MaksutovCassegrain,
            taken_at: None,
            lamp,
            by_phone: args.by_phone,
            shades: Vec::new(),
            known_scale: KnownScale::default(),
        };
        if let Some(fault) = circumstances.setup().fault() {
            return Err(Error::Refused(format!("--{fault}")));
        }
        let id = AttemptId::fresh();
        measuring::keep_copies(&library, id, &args.frames)
            .map_err(|e| Error::Refused(format!("the frames could not be read: {e}")))?;
        let told = serde_json::to_string(&circumstances)
            .map_err(|e| Error::Refused(format!("the circumstances: {e}")))?;
        let files = i64::try_from(args.frames.len()).unwrap_or(i64::MAX);
        let asked = async {
            let mut write = library.write().await?;
            let by = signer(&mut write, &args.signed.by).await?;
            attempts::ask(&mut write, id, instrument.id, by.id, now, files, &told).await?;
            audit(
                &mut write,
                by.id,
                "star-test",
                "Frames sent to be measured.",
            )
            .await?;
            write.commit().await
        };
        if let Err(error) = asked.await {
            measuring::files::remove(&library, id);
            return Err(error);
        }
        measuring::measure_now(&library, id).map_err(|e| Error::Refused(format!("{e}.")))?;
        let attempt = Attempt::get(&mut *library.read().await?, id).await?;
        library.close().await;
        let report: Option<Report> = attempt
            .report
            .as_deref()
            .and_then(|text| serde_json::from_str(text).ok());
        match (attempt.state, report) {
            (
                AttemptState::Measured,
                Some(Report {
                    wavefront: Some(w), ..
                }),
            ) => Ok(format!(
                "Star test of {} logged: coma {} waves RMS.",
                instrument.tag,
                super::figures::with_error(w.coma_rms_waves, w.coma_rms_waves_sigma)
            )),
            (AttemptState::Refused, Some(report)) => Err(Error::Refused(
                report
                    .reasons
                    .iter()
                    .map(super::figures::sentence)
                    .collect::<Vec<_>>()
                    .join(" "),
            )),
            (state, _) => Err(Error::Refused(format!("The measuring ended as {state}."))),
        }
    }))
}
