//! A drawing of each instrument from in front of the tube, with its screws
//! where they are.

use super::files::Instrument;
use library::adjusters::{Adjuster, Element, Head};
use library::instruments::Design;
use library::photos::Prepared;

const SIDE: usize = 480;
const THUMBNAIL: usize = 160;

type Rgb = [f64; 3];
const PAPER: Rgb = [238.0, 241.0, 236.0];
const TUBE: Rgb = [38.0, 56.0, 66.0];
const RIM: Rgb = [113.0, 129.0, 127.0];
const GLASS: Rgb = [165.0, 188.0, 192.0];
const HOLDER: Rgb = [54.0, 74.0, 84.0];
const SCREW: Rgb = [225.0, 220.0, 200.0];
const SLOT: Rgb = [40.0, 44.0, 48.0];

/// A drawing and what it shows.
pub struct Drawing {
    /// Words beside it.
    pub caption: String,
    /// The picture.
    pub photo: Prepared,
}

/// The drawing; none for an instrument without screws.
pub fn front(instrument: &Instrument) -> Option<Drawing> {
    let screws = instrument.adjusters();
    if screws.is_empty() || instrument.design == Design::Binocular {
        return None;
    }
    let side = u32::try_from(SIDE).ok()?;
    Some(Drawing {
        caption: caption(&screws),
        photo: Prepared {
            width_px: side,
            height_px: side,
            picture: draw(instrument, &screws, SIDE)?,
            thumbnail: draw(instrument, &screws, THUMBNAIL)?,
        },
    })
}

fn caption(screws: &[Adjuster]) -> String {
    let mut words = "Drawing, from in front of the tube.".to_owned();
    for element in Element::ALL {
        let ring: Vec<String> = screws
            .iter()
            .filter(|s| s.element == *element)
            .map(|s| {
                let hour = (s.clock_deg / 30.0).round().rem_euclid(12.0);
                let hour = if hour == 0.0 { 12.0 } else { hour };
                format!("{} at {hour}", s.label)
            })
            .collect();
        if !ring.is_empty() {
            let mut name = element.label().to_owned();
            if let Some(first) = name.get_mut(..1) {
                first.make_ascii_uppercase();
            }
            words.push_str(&format!(" {name}: {} o'clock.", ring.join(", ")));
        }
    }
    words
}

/// A square sheet whose coordinates run from -1.2 to 1.2, y up, the clear
/// aperture having radius 1.
struct Sheet {
    side: usize,
    data: Vec<Rgb>,
}

impl Sheet {
    fn scale(&self) -> f64 {
        self.side as f64 / 2.4
    }

    /// Lays a colour where `depth` (distance inside an outline) is above zero,
    /// with edges smooth over a pixel; only within `reach` of (x, y).
    fn lay(&mut self, [x, y]: [f64; 2], reach: f64, colour: Rgb, depth: impl Fn(f64, f64) -> f64) {
        let scale = self.scale();
        let side = self.side as f64;
        let column = |p: f64| ((p + 1.2) * scale).clamp(0.0, side) as usize;
        let rows = column(-y - reach)..column(-y + reach + 2.0 / scale);
        for row in rows {
            for col in column(x - reach)..column(x + reach + 2.0 / scale) {
                let px = (col as f64 + 0.5) / scale - 1.2;
                let py = 1.2 - (row as f64 + 0.5) / scale;
                let cover = (depth(px, py) * scale + 0.5).clamp(0.0, 1.0);
                if cover > 0.0 {
                    let cell = &mut self.data[row * self.side + col];
                    for (c, new) in cell.iter_mut().zip(colour) {
                        *c += (new - *c) * cover;
                    }
                }
            }
        }
    }

    fn disc(&mut self, at: [f64; 2], radius: f64, colour: Rgb) {
        self.lay(at, radius, colour, |x, y| {
            radius - (x - at[0]).hypot(y - at[1])
        });
    }

    fn ring(&mut self, at: [f64; 2], radius: f64, half_width: f64, colour: Rgb) {
        self.lay(at, radius + half_width, colour, |x, y| {
            half_width - ((x - at[0]).hypot(y - at[1]) - radius).abs()
        });
    }

    fn stroke(&mut self, from: [f64; 2], to: [f64; 2], half_width: f64, colour: Rgb) {
        let (dx, dy) = (to[0] - from[0], to[1] - from[1]);
        let length = dx.hypot(dy).max(1e-9);
        let middle = [(from[0] + to[0]) / 2.0, (from[1] + to[1]) / 2.0];
        self.lay(middle, length / 2.0 + half_width, colour, |x, y| {
            let along = ((x - from[0]) * dx + (y - from[1]) * dy) / length;
            let on = along.clamp(0.0, length) / length;
            half_width - (x - from[0] - on * dx).hypot(y - from[1] - on * dy)
        });
    }

    fn jpeg(&self) -> Option<Vec<u8>> {
        use image::ImageEncoder;
        let bytes: Vec<u8> = self
            .data
            .iter()
            .flatten()
            .map(|c| c.round().clamp(0.0, 255.0) as u8)
            .collect();
        let side = u32::try_from(self.side).ok()?;
        let mut out = Vec::new();
        image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, 90)
            .write_image(&bytes, side, side, image::ExtendedColorType::Rgb8)
            .ok()?;
        Some(out)
    }
}

fn at_clock(deg: f64, radius: f64) -> [f64; 2] {
    let (sin, cos) = deg.to_radians().sin_cos();
    [radius * sin, radius * cos]
}

fn draw(instrument: &Instrument, screws: &[Adjuster], side: usize) -> Option<Vec<u8>> {
    let mut sheet = Sheet {
        side,
        data: vec![PAPER; side * side],
    };
    sheet.disc([0.0; 2], 1.12, TUBE);
    sheet.ring([0.0; 2], 1.11, 0.012, RIM);
    sheet.disc([0.0; 2], 1.0, GLASS);
    sheet.ring([0.0; 2], 0.995, 0.012, SLOT);
    for k in 0..instrument.vanes {
        let deg = 45.0 + 360.0 * k as f64 / instrument.vanes as f64;
        sheet.stroke([0.0; 2], at_clock(deg, 1.0), 0.012, HOLDER);
    }
    if instrument.obstruction > 0.0 {
        sheet.disc([0.0; 2], instrument.obstruction, HOLDER);
        sheet.ring([0.0; 2], instrument.obstruction, 0.008, SLOT);
    }
    for screw in screws {
        let radius = screw.lever_mm / (instrument.aperture_mm / 2.0);
        // A cell's screws sit behind or around the glass: shown on the rim.
        let radius = match screw.element {
            Element::Secondary => radius.min(instrument.obstruction * 0.72),
            _ => 1.06,
        };
        head(&mut sheet, screw, at_clock(screw.clock_deg, radius));
    }
    sheet.jpeg()
}

fn head(sheet: &mut Sheet, screw: &Adjuster, at: [f64; 2]) {
    let size = match screw.element {
        Element::Secondary => 0.045,
        _ => 0.07,
    };
    sheet.disc(at, size * 1.25, SLOT);
    sheet.disc(at, size, SCREW);
    match screw.head {
        Head::Slotted => sheet.stroke(
            [at[0] - 0.6 * size, at[1]],
            [at[0] + 0.6 * size, at[1]],
            0.14 * size,
            SLOT,
        ),
        Head::Hex => sheet.lay(at, size, SLOT, |x, y| {
            let across = 0.45 * size;
            let (x, y) = ((x - at[0]).abs(), (y - at[1]).abs());
            (across - x).min(across - (0.5 * x + 0.75_f64.sqrt() * y))
        }),
        Head::Thumb => {
            for k in 0..8 {
                let notch = at_clock(45.0 * f64::from(k), size);
                sheet.disc([at[0] + notch[0], at[1] + notch[1]], 0.22 * size, SLOT);
            }
        }
    }
}
