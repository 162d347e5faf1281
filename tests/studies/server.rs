//! The server under study, started on a free port, and its memory watched.

use std::ffi::OsString;
use std::io::{BufRead, BufReader};
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Child, Command, Stdio};

pub struct Server {
    child: Child,
    pub address: SocketAddr,
}

impl Server {
    #[allow(dead_code)] // not every study has a plain disk only
    pub fn start(binary: &Path, folder: &Path) -> Self {
        Self::start_in(binary, folder, Vec::new())
    }

    /// In this environment beside its own.
    pub fn start_in(binary: &Path, folder: &Path, environment: Vec<(&str, OsString)>) -> Self {
        let mut child = Command::new(binary)
            .envs(environment)
            .args(["serve", "--listen", "127.0.0.1:0", "--data"])
            .arg(folder)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let address = loop {
            let line = lines.next().unwrap().unwrap();
            if let Some(at) = line.strip_prefix("Tubewright is ready at http://") {
                break at.trim_end_matches('/').parse().unwrap();
            }
        };
        Self { child, address }
    }

    /// SIGKILL: no goodbye, no flush.
    #[allow(dead_code)] // not every study kills
    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Memory in use (resident), MiB; Linux only, else 0.
    #[allow(dead_code)] // not every study watches it
    pub fn memory_mib(&self) -> f64 {
        self.status("VmRSS:")
    }

    #[allow(dead_code)]
    fn status(&self, line: &str) -> f64 {
        std::fs::read_to_string(format!("/proc/{}/status", self.child.id()))
            .unwrap_or_default()
            .lines()
            .find_map(|l| l.strip_prefix(line))
            .and_then(|l| l.split_whitespace().next()?.parse::<f64>().ok())
            .unwrap_or(0.0)
            / 1024.0
    }

    /// Processor time taken so far, seconds; Linux only, else 0.
    #[allow(dead_code)] // not every study watches it
    pub fn cpu_s(&self) -> f64 {
        let stat =
            std::fs::read_to_string(format!("/proc/{}/stat", self.child.id())).unwrap_or_default();
        // After the name in brackets: state is the first, utime and stime the
        // 12th and 13th (proc(5)), in hundredths of a second.
        let after = stat.rsplit(')').next().unwrap_or_default();
        let fields: Vec<&str> = after.split_whitespace().collect();
        let ticks = |place: usize| {
            fields
                .get(place)
                .and_then(|f| f.parse::<f64>().ok())
                .unwrap_or(0.0)
        };
        (ticks(11) + ticks(12)) / 100.0
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
