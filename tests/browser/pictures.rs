//! The pictures in the README, taken from the demo club:
//! `cargo test --test browser -- --ignored takes_the_pictures`.

use std::path::PathBuf;

use tubewright::library::people::Role;

use super::check_in::measures;
use super::club::at_the_demo_club;
use super::visitor::{Scripts, Visitor, Window};

async fn keep(visitor: &Visitor, name: &str) {
    let file: PathBuf = [env!("CARGO_MANIFEST_DIR"), "tests", "pictures", name]
        .iter()
        .collect();
    let png = visitor.client.screenshot().await.unwrap();
    std::fs::create_dir_all(file.parent().unwrap()).unwrap();
    std::fs::write(&file, small(&png)).unwrap();
    println!("{}", file.display());
}

/// The same picture in 8 bits of palette-free colour at the best compression.
fn small(png: &[u8]) -> Vec<u8> {
    use image::ImageEncoder;
    use image::codecs::png::{CompressionType, FilterType, PngEncoder};
    let picture = image::load_from_memory(png).unwrap().to_rgb8();
    let mut out = Vec::new();
    PngEncoder::new_with_quality(&mut out, CompressionType::Best, FilterType::Adaptive)
        .write_image(
            picture.as_raw(),
            picture.width(),
            picture.height(),
            image::ExtendedColorType::Rgb8,
        )
        .unwrap();
    out
}

#[tokio::test(flavor = "multi_thread")]
#[ignore = "writes tests/pictures/"]
async fn takes_the_pictures() {
    at_the_demo_club(|club| async move {
        let ingrid = club
            .signed_in(Role::Coordinator, Window::Desk, Scripts::On)
            .await;
        ingrid.open("/due").await;
        ingrid.sees("Why").await;
        keep(&ingrid, "due-list.png").await;

        let kofi = club
            .signed_in(Role::Volunteer, Window::Desk, Scripts::On)
            .await;
        kofi.open("/instruments/SC203A/star-test").await;
        measures(&kofi, "sct-outside.fits.gz", "Outside").await;
        keep(&kofi, "star-test.png").await;

        let phone = club.visitor(Window::Phone, Scripts::On).await;
        phone.open("/instruments/N130").await;
        phone.sees("What it will show").await;
        keep(&phone, "condition.png").await;
    })
    .await;
}
