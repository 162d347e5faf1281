//! From "hold the phone to the eyepiece" to a star test in the logbook and to the next screw:
//! Chromium plays a film as its camera, which our diffraction model makes here, frame by frame.

use std::io::Write;
use std::path::{Path, PathBuf};

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use tubewright::library::people::Role;
use tubewright::optics::pupil::Pupil;
use tubewright::optics::render::Scene;
use tubewright::optics::wavefront::{Wavefront, a4_from_w020};

use super::club::{Club, at_the_demo_club};
use super::collimation::{begins, goes_on, heading};
use super::visitor::{Scripts, Visitor, Window};

const TAG: &str = "SC203A";
const OBSTRUCTION: f64 = 0.34;
/// Noll a8 and a7, waves RMS.
const COMA: [f64; 2] = [0.09, -0.06];
/// Waves out of focus, and how wide the star's square is: pixels and lambda N.
const W020: f64 = 6.0;
const SIZE: usize = 250;
const FIELD: f64 = 100.0;
/// Blur by the air, lambda N.
const BLUR: f64 = 2.0;
/// The camera's picture.
const WIDE: usize = 640;
const HIGH: usize = 480;
const A_SECOND: usize = 6;

/// Red, green and blue of one frame, 0 to 1, linear, row by row.
type Colours = [Vec<f64>; 3];

/// The star in three colours, 600, 538 and 467 nm (as phones' are taken for, common
/// practice, no source), with this much coma beside its own.
fn star(more: [f64; 2]) -> Colours {
    [600.0, 538.0, 467.0].map(|nm| {
        let ratio = 550.0 / nm;
        Scene {
            pupil: Pupil::annular(OBSTRUCTION),
            wavefront: Wavefront::flat()
                .with(4, ratio * a4_from_w020(W020))
                .with(8, ratio * (COMA[0] + more[0]))
                .with(7, ratio * (COMA[1] + more[1])),
            field: FIELD * ratio,
            size: SIZE,
            bandwidth_nm: 130.0 * ratio,
            blur: BLUR * ratio,
        }
        .draw()
    })
}

/// sRGB of linear light (IEC 61966-2-1), 0 to 255.
fn srgb(light: f64) -> f64 {
    let light = light.clamp(0.0, 1.0);
    255.0
        * if light <= 0.003_130_8 {
            12.92 * light
        } else {
            1.055 * light.powf(1.0 / 2.4) - 0.055
        }
}

/// One frame as 4:2:0 (ITU-R BT.601, 16 to 235): the star a little off the middle; a hand
/// takes the side at this clock position of the picture.
fn frame(star: &Colours, hand_deg: Option<f64>, rng: &mut ChaCha8Rng) -> Vec<u8> {
    let (x0, y0) = (
        rng.random_range(203..208) as usize,
        rng.random_range(118..123) as usize,
    );
    let mut planes = [0, 1, 2].map(|_| vec![0.0f64; WIDE * HIGH]);
    for (plane, colour) in planes.iter_mut().zip(star) {
        for (i, v) in plane.iter_mut().enumerate() {
            let (x, y) = ((i % WIDE).wrapping_sub(x0), (i / WIDE).wrapping_sub(y0));
            let mut light = 0.004;
            if x < SIZE && y < SIZE {
                let middle = SIZE as f64 / 2.0;
                let (right, up) = (x as f64 - middle, middle - y as f64);
                let taken = hand_deg.is_some_and(|deg| {
                    let (s, c) = deg.to_radians().sin_cos();
                    right * s + up * c > 12.0
                });
                if !taken {
                    light += 0.7 * colour[y * SIZE + x];
                }
            }
            *v = srgb(light) + rng.random_range(-2.0..2.0);
        }
    }
    let [r, g, b] = &planes;
    let byte = |v: f64| v.round().clamp(0.0, 255.0) as u8;
    let mut out: Vec<u8> = (0..WIDE * HIGH)
        .map(|i| byte(16.0 + 0.256_788 * r[i] + 0.504_129 * g[i] + 0.097_906 * b[i]))
        .collect();
    for [kr, kg, kb] in [
        [-0.148_223, -0.290_993, 0.439_216],
        [0.439_216, -0.367_788, -0.071_427],
    ] {
        for y in (0..HIGH).step_by(2) {
            for x in (0..WIDE).step_by(2) {
                let mean = |p: &[f64]| {
                    let at = |dx, dy| p[(y + dy) * WIDE + x + dx];
                    (at(0, 0) + at(1, 0) + at(0, 1) + at(1, 1)) / 4.0
                };
                out.push(byte(128.0 + kr * mean(r) + kg * mean(g) + kb * mean(b)));
            }
        }
    }
    out
}

/// Clock positions of the picture that the hands of the film darken, degrees.
const HANDS: [f64; 2] = [60.0, 150.0];

/// A film for the camera to play again and again: by turns without a hand and, if there are
/// any, with one.
fn film(folder: &Path, seconds: usize, hands: &[f64]) -> PathBuf {
    let mut rng = ChaCha8Rng::seed_from_u64(68);
    // What the air does differs from moment to moment.
    let moments: Vec<Colours> = (0..6)
        .map(|_| star([0, 1].map(|_| rng.random_range(-0.03..0.03))))
        .collect();
    let path = folder.join("camera.y4m");
    let mut file = std::io::BufWriter::new(std::fs::File::create(&path).unwrap());
    writeln!(file, "YUV4MPEG2 W{WIDE} H{HIGH} F{A_SECOND}:1 Ip A1:1 C420").unwrap();
    for n in 0..seconds * A_SECOND {
        let turn = n * 2 * hands.len().max(1) / (seconds * A_SECOND);
        let hand = hands.get(turn / 2).copied().filter(|_| turn % 2 == 1);
        writeln!(file, "FRAME").unwrap();
        let picture = frame(&moments[n % moments.len()], hand, &mut rng);
        file.write_all(&picture).unwrap();
    }
    file.flush().unwrap();
    path
}

/// A volunteer with a phone whose camera plays this film.
async fn with_camera(club: &Club, film: &Path) -> Visitor {
    let fake = [
        "--use-fake-device-for-media-stream".to_owned(),
        "--use-fake-ui-for-media-stream".to_owned(),
        format!("--use-file-for-fake-video-capture={}", film.display()),
    ];
    club.signed_in_with(Role::Volunteer, Window::SmallPhone, Scripts::On, &fake)
        .await
}

async fn says(kofi: &Visitor, words: &str) {
    kofi.wait_until(words, || async {
        kofi.words_of(".film-say").await.contains(words)
    })
    .await;
}

/// Waits until the camera shows the hand at this clock position.
async fn shaded(kofi: &Visitor, deg: f64) {
    // The donut's radius is 4 W020 of FIELD lambda N, 60 of SIZE pixels.
    let radius = 4.0 * W020 / FIELD * SIZE as f64;
    let (s, c) = deg.to_radians().sin_cos();
    let script = format!(
        "const video = document.querySelector('#film video'), c = document.createElement('canvas'); \
         c.width = {WIDE}; c.height = {HIGH}; const brush = c.getContext('2d', {{ willReadFrequently: true }}); brush.drawImage(video, 0, 0); \
         const level = (side) => Math.max(...brush.getImageData(330 + side * {x} - 12, 245 - side * {y} - 12, 24, 24).data.filter((v, k) => k % 4 === 1)); \
         return level(1) < 40 && level(-1) > 60;",
        x = 0.75 * radius * s,
        y = 0.75 * radius * c,
    );
    kofi.wait_until("the hand", || async { kofi.script(&script).await == true })
        .await;
}

/// Tells the page how the phone's weight pulls, across the screen and along it, m/s2.
async fn weighs(kofi: &Visitor, across: f64, along: f64) {
    kofi.script(&format!(
        "window.dispatchEvent(new DeviceMotionEvent('devicemotion', \
         {{ accelerationIncludingGravity: {{ x: {across}, y: {along}, z: 1 }}, interval: 100 }}));"
    ))
    .await;
}

async fn measured(kofi: &Visitor) -> serde_json::Value {
    kofi.wait_until("the stills to be measured", || async {
        kofi.path().await.starts_with("/attempts/") && !kofi.sees_any(".job").await
    })
    .await;
    kofi.sees("Scale, found from the rings").await;
    let json = kofi
        .fetch(&format!("{}/report.json", kofi.path().await))
        .await;
    let report = json
        .split_once('\n')
        .map_or(json.as_str(), |(_, text)| text);
    serde_json::from_str(report).unwrap()
}

/// As it was drawn: the band told and the browser's own colours leave a few percent.
fn as_drawn(report: &serde_json::Value) {
    let coma = ["coma_x_waves", "coma_y_waves"].map(|k| report["wavefront"][k].as_f64().unwrap());
    let off = (coma[0] - COMA[0]).hypot(coma[1] - COMA[1]);
    assert!(off < 0.02, "{coma:?}");
    let waves = report["wavefront"]["defocus_waves"].as_f64().unwrap();
    assert!((waves / W020 - 1.0).abs() < 0.15, "{waves}");
}

async fn holds_the_phone(club: Club) {
    let film = film(club.folder(), 18, &HANDS);
    let kofi = with_camera(&club, &film).await;
    let collimation = begins(&kofi, TAG).await;
    kofi.press("Red").await;
    kofi.sees_red().await;
    kofi.press("With a phone at the eyepiece").await;
    kofi.press("By phone").await;
    kofi.sees("Hold the phone to the eyepiece").await;
    let red = kofi
        .script("return document.documentElement.dataset.display")
        .await;
    assert_eq!(red, "red");
    kofi.press("Start the camera").await;
    says(&kofi, "Good. Hold still.").await;
    kofi.photograph("phone-live").await;

    // The shade test: as 12 of the tube darkens 2 o'clock of the picture, 3 darkens 5.
    kofi.press("Shade test").await;
    weighs(&kofi, 0.0, 9.0).await;
    for (hour, deg, dark) in [("12", HANDS[0], "2"), ("3", HANDS[1], "5")] {
        says(&kofi, "Tap where it is").await;
        shaded(&kofi, deg).await;
        kofi.press_in("//*[@data-film='hand']", &format!("At {hour}"))
            .await;
        if hour == "12" {
            kofi.photograph("phone-shade").await;
        }
        kofi.wait_until("the shade to be seen", || async {
            let told = format!("Shaded at {hour}, dark at {dark}.");
            kofi.words().await.contains(&told)
        })
        .await;
    }
    kofi.sees("The picture is not mirrored.").await;
    assert_eq!(kofi.holds("Shaded at, on the tube").await, "12");
    kofi.press_in("//form[@id='phone']//fieldset[@id='f-side']", "Outside")
        .await;

    // Turned by a quarter since then, the phone waits; its own weight tells.
    weighs(&kofi, 9.0, 0.5).await;
    kofi.press("Take others").await;
    says(&kofi, "as it was at the shade test").await;
    weighs(&kofi, 0.5, 9.0).await;

    // While a screw is turned it goes on measuring, and keeps nothing.
    kofi.press("Go on measuring").await;
    kofi.wait_until("a reading", || async {
        kofi.words_of(".film-coma").await.starts_with("Coma 0.")
    })
    .await;
    kofi.photograph("phone-goes-on").await;
    kofi.press("Take stills again").await;

    // It takes the good ones by itself, and none while the hand is there.
    // How fast is the machine's affair; that it goes on is asked of every quarter.
    for taken in [10, 20, 30] {
        let count = "return parseInt(document.querySelector('[data-film=count]').textContent)";
        kofi.wait_until(&format!("{taken} pictures taken"), || async {
            let so_far = kofi.script(count).await.as_u64();
            so_far.is_some_and(|n| n >= taken)
        })
        .await;
    }
    says(&kofi, "Taken. Send them").await;
    kofi.photograph("phone-taken").await;
    kofi.press("Send and measure").await;
    let report = measured(&kofi).await;
    as_drawn(&report);
    assert_eq!(report["frames"]["given"], 30);
    assert!(report["frames"]["used"].as_u64().unwrap() >= 25, "{report}");
    kofi.photograph("phone-result").await;
    goes_on_to(&kofi, &collimation).await;
    let told = heading(&kofi).await;
    assert!(told.starts_with("Turn screw"), "{told}");
    kofi.photograph("phone-next-screw").await;
    kofi.open(&format!("/instruments/{TAG}/logbook")).await;
    kofi.sees("by phone").await;
}

/// Takes the measurement into the session.
async fn goes_on_to(kofi: &Visitor, collimation: &str) {
    goes_on(kofi, "Save, what next?").await;
    kofi.wait_until("the session", || async { kofi.path().await == collimation })
        .await;
}

/// Records the camera for six seconds, as a phone's own program would, and gives the film
/// to the page.
const FILMED: &str = "
    const done = arguments[arguments.length - 1];
    (async () => {
      const stream = await navigator.mediaDevices.getUserMedia({ video: true });
      const parts = [];
      const recorder = new MediaRecorder(stream, { videoBitsPerSecond: 8e6 });
      recorder.ondataavailable = (e) => parts.push(e.data);
      recorder.onstop = () => {
        for (const track of stream.getTracks()) track.stop();
        const box = document.getElementById('film-file');
        const files = new DataTransfer();
        files.items.add(new File(parts, 'film.webm', { type: 'video/webm' }));
        box.files = files.files;
        box.dispatchEvent(new Event('change', { bubbles: true }));
        done(true);
      };
      recorder.start();
      setTimeout(() => recorder.stop(), SECONDS);
    })();";

/// A JPEG with a place in its Exif part, turned by a quarter, given to the page; answers
/// what the page would send.
const PLACED: &str = "
    const done = arguments[arguments.length - 1];
    (async () => {
      const canvas = document.createElement('canvas');
      canvas.width = 40; canvas.height = 20;
      const blob = await new Promise((r) => canvas.toBlob(r, 'image/jpeg'));
      const bytes = new Uint8Array(await blob.arrayBuffer());
      const tiff = [0x49, 0x49, 42, 0, 8, 0, 0, 0, 3, 0, 0x12, 1, 3, 0, 1, 0, 0, 0, 6, 0, 0, 0,
        0x69, 0x87, 4, 0, 1, 0, 0, 0, 50, 0, 0, 0, 0x25, 0x88, 4, 0, 1, 0, 0, 0, 68, 0, 0, 0, 0, 0, 0, 0,
        1, 0, 0x05, 0xa4, 3, 0, 1, 0, 0, 0, 26, 0, 0, 0, 0, 0, 0, 0,
        ...new TextEncoder().encode('GPS 47.25 N 9.5 E')];
      const exif = [0x45, 0x78, 0x69, 0x66, 0, 0, ...tiff];
      const part = [0xff, 0xe1, 0, exif.length + 2, ...exif];
      const told = new File([bytes.slice(0, 2), new Uint8Array(part), bytes.slice(2)], 'a.jpg', { type: 'image/jpeg' });
      const box = document.getElementById('f-stills');
      const files = new DataTransfer();
      files.items.add(told);
      box.files = files.files;
      box.dispatchEvent(new Event('change', { bubbles: true }));
      while (box.files[0] === told) await new Promise((r) => setTimeout(r, 20));
      const text = new TextDecoder('latin1').decode(await box.files[0].arrayBuffer());
      const seen = await createImageBitmap(box.files[0]);
      done([new TextDecoder('latin1').decode(await told.arrayBuffer()).includes('GPS'), text.includes('GPS'), seen.width, seen.height, text.includes('\\xa4\\x05\\0\\x03\\0\\0\\0\\x01\\0\\x1a')]);
    })();";

async fn sends_a_film(club: Club) {
    let film = film(club.folder(), 2, &[]);
    let kofi = with_camera(&club, &film).await;
    kofi.open(&format!("/instruments/{TAG}/star-test/phone"))
        .await;
    kofi.sees("Hold the phone to the eyepiece").await;

    let answer = kofi.client.execute_async(PLACED, Vec::new()).await.unwrap();
    // Where it was taken is gone; how it is turned and how wide the camera sees are kept.
    assert_eq!(answer, serde_json::json!([true, false, 20, 40, true]));

    let short = FILMED.replace("SECONDS", "1500");
    kofi.client.execute_async(&short, Vec::new()).await.unwrap();
    says(&kofi, "Choose one of 5 to 60 s").await;
    let long = FILMED.replace("SECONDS", "6500");
    kofi.client.execute_async(&long, Vec::new()).await.unwrap();
    says(&kofi, "The film is taken apart").await;
    let stills = kofi
        .script("return document.getElementById('f-stills').files.length")
        .await;
    assert!((10..=60).contains(&stills.as_u64().unwrap()), "{stills}");
    kofi.photograph("phone-film").await;
    kofi.press("Send and measure").await;
    as_drawn(&measured(&kofi).await);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_phone_at_the_eyepiece_leads_to_a_star_test_and_to_the_next_screw() {
    at_the_demo_club(holds_the_phone).await;
}

/// A camera whose picture holds a ring that drifts 17.4 pixels a second to the right, and
/// jumps back when it has gone too far.
const DRIFTING: &str = "
    const c = document.createElement('canvas');
    c.width = 640; c.height = 480;
    const brush = c.getContext('2d');
    const begun = performance.now();
    const paint = () => {
      const x = 170 + (17.4 * (performance.now() - begun) / 1000) % 300;
      brush.fillStyle = '#060606';
      brush.fillRect(0, 0, 640, 480);
      brush.fillStyle = '#b4b4b4';
      brush.beginPath(); brush.arc(x, 240, 60, 0, 2 * Math.PI); brush.arc(x, 240, 20, 0, 2 * Math.PI, true); brush.fill();
    };
    setInterval(paint, 40);
    navigator.mediaDevices.getUserMedia = async () => { paint(); return c.captureStream(15); };";

async fn times_the_drift(club: Club) {
    let kofi = club
        .signed_in(Role::Volunteer, Window::SmallPhone, Scripts::On)
        .await;
    kofi.open(&format!("/instruments/{TAG}/star-test/phone"))
        .await;
    kofi.script(DRIFTING).await;
    kofi.press("Start the camera").await;
    says(&kofi, "Hold still").await;
    // Where the ring jumped meanwhile, it is said to have gone crooked: once more, then.
    for _ in 0..4 {
        kofi.press("Time the drift").await;
        kofi.wait_until("the drift to be timed", || async {
            let said = kofi.words_of(".film-coma").await;
            said.contains("Drift timed") || said.contains("did not drift straight")
        })
        .await;
        if kofi.words_of(".film-coma").await.contains("Drift timed") {
            break;
        }
    }
    kofi.photograph("phone-drift").await;
    let held = "return Number(document.getElementsByName('drift_px_s')[0].value)";
    let px_s = kofi.script(held).await.as_f64().unwrap();
    assert!((px_s / 17.4 - 1.0).abs() < 0.03, "{px_s}");
    // A drift in the camera's pixels says nothing of chosen stills.
    kofi.client.execute_async(PLACED, Vec::new()).await.unwrap();
    assert_eq!(kofi.script(held).await, 0);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_drift_is_timed_with_the_camera() {
    at_the_demo_club(times_the_drift).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_film_is_taken_apart_and_says_nothing_of_where_it_was_made() {
    at_the_demo_club(sends_a_film).await;
}
