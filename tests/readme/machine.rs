//! A machine to type the README's commands on.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

use tubewright::library::Library;
use tubewright::library::instruments::{Design, Instrument, Particulars};
use tubewright::library::people::{NewPerson, Person, Role};

/// A machine of our own: folders where the README says `/var/lib` and so on, and a
/// clone of the repository to stand in.
pub struct Machine {
    root: tempfile::TempDir,
}

impl Machine {
    pub fn new() -> Self {
        let root = tempfile::tempdir().unwrap();
        let clone = root.path();
        let repository = Path::new(env!("CARGO_MANIFEST_DIR"));
        for folder in [
            "bin",
            "system",
            "backup",
            "target/release",
            "night",
            "after",
        ] {
            std::fs::create_dir_all(clone.join(folder)).unwrap();
        }
        // Closed to others, as the README says of it.
        let closed = std::os::unix::fs::PermissionsExt::from_mode(0o700);
        std::fs::set_permissions(clone.join("backup"), closed).unwrap();
        for name in ["tests", ".packaging"] {
            std::os::unix::fs::symlink(repository.join(name), clone.join(name)).unwrap();
        }
        std::os::unix::fs::symlink(
            env!("CARGO_BIN_EXE_tubewright"),
            clone.join("target/release/tubewright"),
        )
        .unwrap();
        // The same star twice, at its two sides of the bench.
        for (night, side) in [("night", "outside"), ("after", "outside")] {
            std::fs::copy(
                repository.join(format!("tests/frames/sct-{side}.fits.gz")),
                clone.join(night).join("star.fits.gz"),
            )
            .unwrap();
        }
        Self { root }
    }

    pub fn at(&self, name: &str) -> PathBuf {
        self.root.path().join(name)
    }

    /// The command with this machine's folders in it.
    fn here(&self, command: &str) -> String {
        let root = self.root.path().display();
        command
            .replace("/var/lib/tubewright", &format!("{root}/data"))
            .replace("/srv/backup", &format!("{root}/backup"))
            .replace("/usr/local/bin/", &format!("{root}/bin/"))
            .replace("/etc/systemd/system/", &format!("{root}/system/"))
    }

    fn shell(&self, script: &str) -> Command {
        let path = std::env::var("PATH").unwrap_or_default();
        let mut command = Command::new("sh");
        command
            .args(["-euc", script])
            .current_dir(self.root.path())
            .env("PATH", format!("{}:{path}", self.at("bin").display()))
            .env("TUBEWRIGHT_LISTEN", "127.0.0.1:0");
        command
    }

    pub fn run(&self, script: &str) -> Output {
        let output = self.shell(&self.here(script)).output().unwrap();
        assert!(
            output.status.success(),
            "{script}\n{}{}",
            String::from_utf8_lossy(&output.stdout),
            String::from_utf8_lossy(&output.stderr)
        );
        output
    }

    /// Runs a server until it is ready and `until` holds, and stops it as a service is
    /// stopped; what it printed.
    pub fn serve(&self, command: &str, until: impl Fn() -> bool) -> Vec<String> {
        let data = self.at("data");
        let mut command = self.shell(&format!("exec {}", self.here(command)));
        if !command
            .get_args()
            .any(|a| a.to_string_lossy().contains("--demo"))
        {
            command.env("TUBEWRIGHT_DATA", data);
        }
        let mut server = Server(command.stdout(Stdio::piped()).spawn().unwrap());
        let mut said = Vec::new();
        for line in BufReader::new(server.0.stdout.take().unwrap()).lines() {
            said.push(line.unwrap());
            if said.last().unwrap().contains("ready at") {
                break;
            }
        }
        let given_up = std::time::Instant::now() + std::time::Duration::from_secs(120);
        while !until() {
            assert!(std::time::Instant::now() < given_up, "nothing came of it");
            std::thread::sleep(std::time::Duration::from_millis(50));
        }
        let stopped = Command::new("kill").arg(server.0.id().to_string()).status();
        assert!(stopped.unwrap().success());
        assert!(server.0.wait().unwrap().success(), "did not stop cleanly");
        said
    }
}

struct Server(Child);

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// What the club has entered by clicking before the first command is typed: the
/// coordinator, and the instrument whose frames the commands measure.
#[tokio::main(flavor = "current_thread")]
pub async fn the_club_is_set_up(data: &Path) {
    let library = Library::open(data).await.unwrap();
    let mut write = library.write().await.unwrap();
    let now = chrono::Utc::now();
    let new = NewPerson {
        name: "Ines Vale".to_owned(),
        email: "ines@club.example".to_owned(),
        role: Role::Coordinator,
        guest: false,
    };
    let ines = Person::add(&mut write, &new, now).await.unwrap();
    let particulars = Particulars {
        tag: "S203".to_owned(),
        name: "203 mm Schmidt-Cassegrain".to_owned(),
        design: Design::SchmidtCassegrain,
        aperture_mm: 203.0,
        focal_mm: 2030.0,
        obstruction: 0.34,
        vane_count: 0,
        weight_kg: None,
        cool_down_min: None,
        uses_diagonal: false,
        replacement_value_cents: None,
        place: String::new(),
        notes: String::new(),
    };
    Instrument::add(&mut write, &particulars, now, ines)
        .await
        .unwrap();
    write.commit().await.unwrap();
    library.close().await;
}

pub fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}
