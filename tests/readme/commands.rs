//! The commands that stand in the README.

pub const README: &str = include_str!("../../README.md");

/// Where another program's name begins a command.
const PROGRAMS: &[&str] = &[
    "tubewright",
    "cargo",
    "sudo",
    "systemctl",
    "journalctl",
    "docker",
    "tests/run",
    "caddy",
    ".ci/advisories",
    "export",
];

/// One command, with what the README says it prints.
#[derive(Debug, Default, Clone)]
pub struct Said {
    pub command: String,
    pub prints: Vec<String>,
}

/// The indented blocks, and the fenced ones with the language they name.
pub fn blocks() -> Vec<(String, Vec<&'static str>)> {
    let mut all = Vec::new();
    let mut open: Option<(String, Vec<&str>)> = None;
    let mut fenced = false;
    for line in README.lines() {
        if let Some(language) = line.strip_prefix("```") {
            if fenced {
                all.extend(open.take());
            } else {
                open = Some((language.to_owned(), Vec::new()));
            }
            fenced = !fenced;
        } else if fenced {
            open.as_mut().unwrap().1.push(line);
        } else if let Some(code) = line.strip_prefix("    ") {
            open.get_or_insert_default().1.push(code);
        } else {
            all.extend(open.take());
        }
    }
    all.extend(open);
    all
}

pub fn begins_with_a_program(line: &str) -> bool {
    PROGRAMS.contains(&line.split_whitespace().next().unwrap_or_default())
}

/// The commands of a block: lines after `$`, with those they go on in; or, where there
/// is no `$`, lines that begin with a program.
pub fn commands(lines: &[&str]) -> Vec<Said> {
    let prompts = lines.iter().any(|line| line.starts_with("$ "));
    let mut all: Vec<Said> = Vec::new();
    let mut goes_on = false;
    for line in lines {
        let line = line.split("  #").next().unwrap().trim_end();
        let (text, more) = match line.strip_suffix('\\') {
            Some(text) => (text, true),
            None => (line, false),
        };
        if goes_on {
            all.last_mut().unwrap().command.push_str(text);
        } else if let Some(text) = text.strip_prefix("$ ") {
            assert!(begins_with_a_program(text), "whose command is this: {text}");
            all.push(Said {
                command: text.to_owned(),
                prints: Vec::new(),
            });
        } else if !prompts && begins_with_a_program(text) {
            all.push(Said {
                command: text.to_owned(),
                prints: Vec::new(),
            });
        } else if let Some(last) = all.last_mut() {
            last.prints.push(text.to_owned());
        }
        goes_on = more;
    }
    all
}

/// What stands between single backticks in the text.
pub fn in_sentences() -> Vec<String> {
    let blocks: Vec<&str> = blocks().into_iter().flat_map(|(_, lines)| lines).collect();
    let text: Vec<&str> = README
        .lines()
        .filter(|line| !line.starts_with("```") && !blocks.contains(&line.trim_start()))
        .filter(|line| !line.starts_with("    "))
        .collect();
    let text = text.join(" ");
    text.split('`')
        .skip(1)
        .step_by(2)
        .map(str::to_owned)
        .collect()
}
