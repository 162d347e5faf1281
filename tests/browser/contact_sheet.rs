//! One sheet with pictures of every page: in each display, on a phone, at a desk and on
//! paper. For people to look at, made on demand:
//!
//!     cargo test --test browser -- --ignored makes_the_contact_sheet
//!
//! It lies in `target/tmp/contact-sheet/index.html`.

use std::fmt::Write as _;
use std::path::Path;

use serde_json::json;
use tubewright::library::people::Role;

use super::club::at_the_demo_club;
use super::due_list::A4;
use super::everyone::{each_kind, session_screens};
use super::visitor::{Scripts, Window};

/// The whole page as a picture, however long; at most this many pixels of it.
const TALLEST: u64 = 3000;

#[tokio::test(flavor = "multi_thread")]
#[ignore = "makes pictures for people to look at"]
async fn makes_the_contact_sheet() {
    at_the_demo_club(|club| async move {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("contact-sheet");
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(&folder).unwrap();
        let mut rows = String::new();
        for (window, name, tag) in [
            (Window::SmallPhone, "phone", "SC235"),
            (Window::SmallDesk, "desk", "SC203A"),
        ] {
            let ingrid = club.signed_in(Role::Coordinator, window, Scripts::On).await;
            let mut pages = each_kind(&ingrid).await;
            pages.extend(session_screens(&ingrid, tag).await);
            for (n, page) in pages.iter().enumerate() {
                ingrid.open(page).await;
                let _ = write!(rows, "<tr><th>{}<br>{name}</th>", page.replace('&', "&amp;"));
                for display in ["day", "night", "red"] {
                    ingrid
                        .script(&format!(
                            "document.documentElement.dataset.display = '{display}'"
                        ))
                        .await;
                    let (width, first) = window.size();
                    let tall = ingrid
                        .script("return document.documentElement.scrollHeight")
                        .await
                        .as_u64()
                        .unwrap();
                    let size = |height: u64| json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": window.is_phone() });
                    let set = "Emulation.setDeviceMetricsOverride";
                    ingrid.devtools(set, size(tall.min(TALLEST))).await;
                    let file = format!("{name}-{n:03}-{display}.png");
                    let png = ingrid.client.screenshot().await.unwrap();
                    std::fs::write(folder.join(&file), png).unwrap();
                    ingrid.devtools(set, size(u64::from(first))).await;
                    let _ = write!(rows, "<td><a href=\"{file}\"><img loading=lazy src=\"{file}\"></a></td>");
                }
                if name == "desk" {
                    let file = format!("{name}-{n:03}-paper.pdf");
                    std::fs::write(folder.join(&file), ingrid.print(A4).await).unwrap();
                    let _ = write!(rows, "<td><a href=\"{file}\">paper</a></td>");
                }
                rows.push_str("</tr>\n");
            }
        }
        let sheet = format!(
            "<!DOCTYPE html><meta charset=utf-8><title>Every page</title><style>img{{width:200px;border:1px solid #888}}td,th{{vertical-align:top;font:12px sans-serif;max-width:210px;overflow-wrap:anywhere}}</style><table>{rows}</table>"
        );
        std::fs::write(folder.join("index.html"), sheet).unwrap();
    })
    .await;
}
