//! The files of one crate stand on each other in one direction: no two reach each other by
//! what they use, straight or through others. So a file can be read, and tried, with what
//! it stands on and without what stands on it. Crates can't form a circle anyway.
//!
//! What a folder's own `mod.rs` (or a crate's `lib.rs`) holds is there for the files
//! below it, and doesn't count; what it hands on from another file counts as that file's.
#![allow(clippy::unwrap_used)]

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use syn::visit::{self, Visit};

/// A module by its path: ["web", "collimation", "page"].
type Module = Vec<String>;

/// One file: what it uses, as written, and what it hands on, by name.
#[derive(Default)]
struct File {
    uses: Vec<Vec<String>>,
    hands_on: BTreeMap<String, Vec<String>>,
}

impl<'ast> Visit<'ast> for File {
    fn visit_item_mod(&mut self, item: &'ast syn::ItemMod) {
        // Tests within a file may use whatever they try.
        let is_test = |a: &syn::Attribute| {
            a.path().is_ident("cfg")
                && a.parse_args::<syn::Ident>()
                    .is_ok_and(|what| what == "test")
        };
        if !item.attrs.iter().any(is_test) {
            visit::visit_item_mod(self, item);
        }
    }

    fn visit_item_use(&mut self, item: &'ast syn::ItemUse) {
        let mut leaves = Vec::new();
        leaves_of(&item.tree, &mut Vec::new(), &mut leaves);
        for (name, path) in leaves {
            if !matches!(item.vis, syn::Visibility::Inherited) {
                self.hands_on.insert(name, path.clone());
            }
            self.uses.push(path);
        }
    }

    fn visit_path(&mut self, path: &'ast syn::Path) {
        if path.segments.len() > 1 {
            let segments = path.segments.iter().map(|s| s.ident.to_string());
            self.uses.push(segments.collect());
        }
        visit::visit_path(self, path);
    }
}

/// Every name a `use` brings, with the whole path to it.
fn leaves_of(tree: &syn::UseTree, at: &mut Vec<String>, out: &mut Vec<(String, Vec<String>)>) {
    match tree {
        syn::UseTree::Path(path) => {
            at.push(path.ident.to_string());
            leaves_of(&path.tree, at, out);
            at.pop();
        }
        syn::UseTree::Name(name) if name.ident == "self" => {
            out.push((at.last().cloned().unwrap_or_default(), at.clone()));
        }
        syn::UseTree::Name(name) => {
            let name = name.ident.to_string();
            out.push((name.clone(), [at.as_slice(), &[name]].concat()));
        }
        syn::UseTree::Rename(renamed) => {
            let path = [at.as_slice(), &[renamed.ident.to_string()]].concat();
            out.push((renamed.rename.to_string(), path));
        }
        syn::UseTree::Glob(_) => out.push(("*".to_owned(), at.clone())),
        syn::UseTree::Group(group) => {
            for item in &group.items {
                leaves_of(item, at, out);
            }
        }
    }
}

/// The files of a crate whose root stands in `base`, by module.
fn files_of(base: &Path) -> BTreeMap<Module, File> {
    let mut files = BTreeMap::new();
    let mut folders = vec![base.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                // A folder with a manifest is another crate.
                if !path.join("Cargo.toml").exists() {
                    folders.push(path);
                }
                continue;
            }
            if path.extension().is_none_or(|e| e != "rs") {
                continue;
            }
            let within = path.strip_prefix(base).unwrap().with_extension("");
            let mut module: Module = within
                .iter()
                .map(|part| part.to_string_lossy().into_owned())
                .collect();
            if matches!(
                module.last().map(String::as_str),
                Some("mod" | "lib" | "main")
            ) {
                module.pop();
            }
            let text = std::fs::read_to_string(&path).unwrap();
            let mut file = File::default();
            file.visit_file(&syn::parse_file(&text).unwrap());
            // `main.rs` and `lib.rs` stand side by side in one package.
            let known: &mut File = files.entry(module).or_default();
            known.uses.extend(file.uses);
            known.hands_on.extend(file.hands_on);
        }
    }
    files
}

/// The file in which what `path` names is to be found, seen from `from`.
fn holder(
    files: &BTreeMap<Module, File>,
    from: &Module,
    path: &[String],
    steps: usize,
) -> Option<Module> {
    let (mut at, mut rest) = match path.first()?.as_str() {
        "crate" => (Module::new(), &path[1..]),
        "self" => (from.clone(), &path[1..]),
        "super" => (from[..from.len().checked_sub(1)?].to_vec(), &path[1..]),
        // Another crate, or a module or name of this file's own.
        _ => (from.clone(), path),
    };
    while let [first, after @ ..] = rest {
        if first == "super" {
            at.pop()?;
        } else {
            let below = [at.as_slice(), std::slice::from_ref(first)].concat();
            if files.contains_key(&below) {
                at = below;
            } else if let Some(to) = files.get(&at).and_then(|f| f.hands_on.get(first))
                && steps > 0
                && at != *from
            {
                return holder(files, &at, to, steps - 1);
            } else {
                break;
            }
        }
        rest = after;
    }
    files.contains_key(&at).then_some(at)
}

fn uses(files: &BTreeMap<Module, File>) -> BTreeMap<Module, BTreeSet<Module>> {
    let used = |module: &Module, file: &File| {
        file.uses
            .iter()
            .filter_map(|path| holder(files, module, path, 4))
            .filter(|to| to != module && !module.starts_with(to))
            .collect::<BTreeSet<_>>()
    };
    files.iter().map(|(m, f)| (m.clone(), used(m, f))).collect()
}

/// The way from a file back to itself, if there is one.
fn circle(edges: &BTreeMap<Module, BTreeSet<Module>>) -> Option<Vec<Module>> {
    fn walk<'a>(
        edges: &'a BTreeMap<Module, BTreeSet<Module>>,
        at: &'a Module,
        way: &mut Vec<&'a Module>,
        done: &mut BTreeSet<&'a Module>,
    ) -> Option<Vec<Module>> {
        if let Some(from) = way.iter().position(|m| *m == at) {
            return Some(way[from..].iter().map(|m| (*m).clone()).collect());
        }
        if !done.insert(at) {
            return None;
        }
        way.push(at);
        let found = edges[at].iter().find_map(|to| walk(edges, to, way, done));
        way.pop();
        found
    }
    let mut done = BTreeSet::new();
    edges
        .keys()
        .find_map(|start| walk(edges, start, &mut Vec::new(), &mut done))
}

fn crates() -> Vec<PathBuf> {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let within = std::fs::read_dir(&source).unwrap();
    let mut all: Vec<PathBuf> = within
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.join("Cargo.toml").exists())
        .collect();
    all.push(source);
    all.sort();
    all
}

#[test]
fn no_two_files_of_a_crate_stand_on_each_other() {
    let (mut read, mut circles) = (0, Vec::new());
    for base in crates() {
        let files = files_of(&base);
        read += files.len();
        let mut edges = uses(&files);
        while let Some(way) = circle(&edges) {
            let names: Vec<String> = way.iter().map(|m| m.join("/")).collect();
            circles.push(format!("{} and round again", names.join(" -> ")));
            // The next one, without what closed this.
            let (last, first) = (&way[way.len() - 1], &way[0]);
            edges.get_mut(last).unwrap().remove(first);
        }
    }
    assert!(circles.is_empty(), "{}", circles.join("\n"));
    assert!(read > 300, "only {read} files were read");
}

#[test]
fn no_line_of_a_template_is_longer_than_160_characters() {
    let mut folders = vec![Path::new(env!("CARGO_MANIFEST_DIR")).join("templates")];
    let mut read = 0;
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
                continue;
            }
            for (at, line) in (1..).zip(std::fs::read_to_string(&path).unwrap().lines()) {
                let long = line.chars().count();
                assert!(long <= 160, "{}, line {at}: {long}", path.display());
            }
            read += 1;
        }
    }
    assert!(read > 100, "only {read} templates were read");
}

#[test]
fn a_circle_is_found_straight_through_others_and_through_what_a_folder_hands_on() {
    let file = |text: &str| {
        let mut file = File::default();
        file.visit_file(&syn::parse_file(text).unwrap());
        file
    };
    let circle_of = |all: &[(&str, &str)]| {
        let files = all
            .iter()
            .map(|(name, text)| {
                let module = name.split('/').filter(|p| !p.is_empty());
                (module.map(str::to_owned).collect(), file(text))
            })
            .collect();
        circle(&uses(&files)).map(|way| way.len())
    };
    let one_way = [("", "mod a; mod b;"), ("a", "use super::b::X;"), ("b", "")];
    assert_eq!(circle_of(&one_way), None);
    let both = [
        ("", ""),
        ("a", "use crate::b::X;"),
        ("b", "fn f() { super::a::g() }"),
    ];
    assert_eq!(circle_of(&both), Some(2));
    let three = [
        ("", ""),
        ("a", "use super::b::X;"),
        ("b", "use super::c::{self, Y};"),
        ("c", "use super::{a};"),
    ];
    assert_eq!(circle_of(&three), Some(3));
    let handed_on = [
        ("", "pub use a::X;"),
        ("a", "use super::b;"),
        ("b", "use super::X;"),
    ];
    assert_eq!(circle_of(&handed_on), Some(2));
    let in_tests = [
        ("", ""),
        ("a", "use super::b;"),
        ("b", "#[cfg(test)] mod tests { use crate::a; }"),
    ];
    assert_eq!(circle_of(&in_tests), None);
}
