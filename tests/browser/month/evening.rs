//! A club's first evening: from the printed address by its own lists to labels.

use std::path::{Path, PathBuf};

use fantoccini::Locator;

use super::acts::{PHRASE, PUBLIC};
use crate::club::Club;
use crate::due_list::A4;
use crate::pdf::pages;
use crate::programs::word_after;
use crate::visitor::{Scripts, Visitor, Window};

/// A club as its first coordinator brings it.
pub struct Lists {
    /// Its name.
    pub club: &'static str,
    /// Its zone.
    pub zone: &'static str,
    /// What its pages show.
    pub units: &'static str,
    /// Name and address of the first coordinator.
    pub founder: (&'static str, &'static str),
    /// Its files, in the folder of invented spreadsheets.
    pub files: &'static [&'static str],
    /// What is asked, by part of the question, and how the answer begins.
    pub answers: &'static [(&'static str, &'static str)],
    /// What they come to.
    pub kept: &'static str,
    /// Two tags that labels are printed of.
    pub tags: [&'static str; 2],
}

/// Their first coordinator sets the club up and brings its lists. Gives the visitor, who is
/// signed in, and what the labels lead to.
pub async fn begins(
    club: &Club,
    lists: &Lists,
    (window, scripts): (Window, Scripts),
) -> (Visitor, Vec<String>) {
    let first = club.visitor(window, scripts).await;
    let address = word_after(&club.said, "for three days:");
    first.open(address.strip_prefix(&club.base).unwrap()).await;
    let (name, email) = lists.founder;
    for (field, text) in [
        ("Club", lists.club),
        ("Time zone", lists.zone),
        ("Your name", name),
        ("Email address", email),
        ("Password", PHRASE),
        ("Password again", PHRASE),
    ] {
        first.fill(field, text).await;
    }
    first.pick("Units shown", lists.units).await;
    first.press("Save").await;
    first.sees("Next: what the club lends").await;
    settings(&first).await;
    first.open("/first-evening").await;
    brings(&first, lists).await;
    let labels = labels(&first, club, lists).await;
    (first, labels)
}

async fn settings(first: &Visitor) {
    first.press("Paper, currency, address").await;
    first.fill("Address", PUBLIC).await;
    first
        .fill("Lending desk", "The hut, Thursdays from 19:00")
        .await;
    first.fill("A loan runs for", "14").await;
    first
        .fill("What came back is kept for the next in line for", "5")
        .await;
    first.press("Save").await;
    first.sees("Saved.").await;
}

async fn brings(first: &Visitor, lists: &Lists) {
    first.press("Bring your lists").await;
    let ready = format!("Ready to keep: {}.", lists.kept);
    are_looked_over(first, lists, false).await;
    first.sees(&ready).await;
    first.photograph("looked-over").await;
    first.press("Keep it").await;
    first.sees(&format!("Brought in: {}", lists.kept)).await;
    // The same files again add nothing.
    first.open("/import").await;
    are_looked_over(first, lists, true).await;
    first.sees("All of it is here already.").await;
    first.press("Leave it").await;
    first.sees("Nothing was kept.").await;
    first.open("/first-evening").await;
    first.sees("The club is running").await;
}

/// Sends the lists and answers what is asked; what the club knows by the lists that were
/// brought before need not be.
async fn are_looked_over(first: &Visitor, lists: &Lists, answered: bool) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("seed-data/spreadsheets");
    let files: Vec<PathBuf> = lists.files.iter().map(|file| folder.join(file)).collect();
    first.give_files("files", &files).await;
    first.press("Read them").await;
    first.sees("What the columns mean").await;
    if !answered {
        first.photograph("columns").await;
    }
    first.press("Continue").await;
    first.sees("What becomes of the rows").await;
    if !answered {
        first.photograph("questions").await;
    }
    for (question, answer) in lists.answers {
        let list = format!("//*[@id=//label[contains(normalize-space(), \"{question}\")]/@for]");
        let list = first.client.find_all(Locator::XPath(&list)).await.unwrap();
        let Some(list) = list.first() else {
            assert!(answered, "\"{question}\" is not asked");
            continue;
        };
        let choice = format!(".//option[starts-with(normalize-space(), \"{answer}\")]");
        list.select_by(Locator::XPath(&choice)).await.unwrap();
    }
    if !answered || first.shows("Questions (").await {
        first.press("Continue").await;
    }
}

/// Prints labels, and gives the addresses that their codes lead to.
async fn labels(first: &Visitor, club: &Club, lists: &Lists) -> Vec<String> {
    first.press("Print labels").await;
    for tag in lists.tags {
        first.tick(&format!("{tag},")).await;
    }
    first.press("Show their labels").await;
    first.sees("Print at 100 %").await;
    first.photograph("labels").await;
    let pdf = first.print(A4).await;
    let printed = pages(&pdf, club.folder());
    let mut addresses = Vec::new();
    for tag in lists.tags {
        assert!(
            printed.iter().flatten().any(|word| word.text == tag),
            "{tag} is not printed"
        );
        let code = format!("img[src=\"/instruments/{tag}/qr.svg\"]");
        let code = first.client.find(Locator::Css(&code)).await.unwrap();
        let words = code.attr("alt").await.unwrap().unwrap();
        let (_, address) = words.split_once("leads to ").unwrap();
        addresses.push(address.to_owned());
    }
    addresses
}
