//! The programs that these tests drive, and making sure that none outlives them.

use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc;
use std::thread;
use std::time::{Duration, Instant};

/// Finds a program by one of its names, or by the path in an environment
/// variable.
///
/// # Panics
/// When there is none, naming the script that installs it.
pub fn program(variable: &str, names: &[&str]) -> PathBuf {
    if let Some(path) = std::env::var_os(variable) {
        return path.into();
    }
    let path = std::env::var_os("PATH").unwrap_or_default();
    names
        .iter()
        .flat_map(|name| std::env::split_paths(&path).map(move |folder| folder.join(name)))
        .find(|file| file.is_file())
        .unwrap_or_else(|| {
            panic!(
                "the browser tests need {}, which is not installed: run tests/run, or name it in {variable}",
                names[0]
            )
        })
}

/// What stands after a word in a text, up to the next white space.
///
/// # Panics
/// When the word is not there.
pub fn word_after<'a>(text: &'a str, before: &str) -> &'a str {
    text.split_once(before)
        .and_then(|(_, after)| after.split_whitespace().next())
        .unwrap_or_else(|| panic!("nothing after \"{before}\" in: {text}"))
}

/// A program started for a test; stopped when dropped, however the test ends.
pub struct Running {
    child: Child,
    name: &'static str,
}

impl Running {
    /// Starts a program and waits until it has said `ready` on its standard
    /// output; answers all it has said by then, that line included. What it says
    /// on its standard error goes into `errors`. One that chooses a port which
    /// another program takes at that moment is started again, five times in all.
    ///
    /// # Panics
    /// When it cannot be started, ends, or says nothing of the kind in time.
    pub fn start(
        name: &'static str,
        mut command: Command,
        ready: &str,
        errors: &Path,
        patience: Duration,
    ) -> (Self, String) {
        let mut why = String::new();
        for _ in 0..5 {
            match Self::try_to_start(name, &mut command, ready, errors, patience) {
                Ok(started) => return started,
                Err(said) => why = said,
            }
            if !why.contains("already in use") {
                break;
            }
        }
        panic!("{why}");
    }

    fn try_to_start(
        name: &'static str,
        command: &mut Command,
        ready: &str,
        errors: &Path,
        patience: Duration,
    ) -> Result<(Self, String), String> {
        let stderr = std::fs::File::create(errors).unwrap();
        let mut child = command
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(stderr)
            .spawn()
            .unwrap_or_else(|e| panic!("{name} cannot be started: {e}"));
        let stdout = child.stdout.take().unwrap();
        let running = Self { child, name };
        let (tell, told) = mpsc::channel();
        // Reads to the end, so that the program never waits for a reader.
        thread::spawn(move || {
            let mut reader = BufReader::new(stdout);
            let mut line = String::new();
            while matches!(reader.read_line(&mut line), Ok(1..)) {
                let _ = tell.send(std::mem::take(&mut line));
            }
            let _ = reader.read_to_end(&mut Vec::new());
        });
        let until = Instant::now() + patience;
        let mut said = String::new();
        loop {
            match told.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(line) => {
                    said.push_str(&line);
                    if line.contains(ready) {
                        return Ok((running, said));
                    }
                }
                Err(why) => {
                    return Err(format!(
                        "{name} was not ready ({why}). It said:\n{said}{}",
                        std::fs::read_to_string(errors).unwrap_or_default()
                    ));
                }
            }
        }
    }

    /// Asks it to stop, as a service manager would, and answers its exit code.
    ///
    /// # Panics
    /// When it has not stopped in time.
    pub fn stop(mut self, patience: Duration) -> Option<i32> {
        let id = self.child.id().to_string();
        Command::new("kill").arg(&id).status().unwrap();
        let until = Instant::now() + patience;
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status.code();
            }
            assert!(
                Instant::now() < until,
                "{} did not stop when asked to",
                self.name
            );
            thread::sleep(Duration::from_millis(50));
        }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
