//! A PostgreSQL server of our own in a temporary folder, on a socket; the machine's own cluster is not touched.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// A running server; stopped and removed when dropped.
pub struct Server {
    folder: tempfile::TempDir,
    programs: PathBuf,
    root: bool,
}

impl Server {
    /// Starts a new, empty one. `None` where PostgreSQL is not installed, unless `BASSAY_POSTGRES=required`.
    pub fn start() -> Option<Self> {
        let Some(programs) = programs() else {
            let required = std::env::var_os("BASSAY_POSTGRES").is_some_and(|v| v == "required");
            assert!(!required, "initdb was not found: run .ci/setup --tests");
            eprintln!("SKIPPED: PostgreSQL is not installed; .ci/setup --tests installs it");
            return None;
        };
        let id = Command::new("id").arg("-u").output().unwrap();
        let root = id.stdout.trim_ascii() == b"0";
        let folder = tempfile::Builder::new()
            .prefix("bassay-pg-")
            .tempdir()
            .unwrap();
        if root {
            let owner = Command::new("chown")
                .arg("postgres")
                .arg(folder.path())
                .status()
                .unwrap();
            assert!(owner.success());
        }
        let server = Self {
            folder,
            programs,
            root,
        };
        let data = server.data();
        server.run(
            "initdb",
            &[
                "-D", &data, "-A", "trust", "-U", "bassay", "-E", "UTF8", "-N",
            ],
        );
        let socket = server.path().display().to_string();
        let more = format!("\nlisten_addresses = ''\nunix_socket_directories = '{socket}'\n");
        let settings = Path::new(&data).join("postgresql.conf");
        let old = std::fs::read_to_string(&settings).unwrap();
        std::fs::write(settings, old + &more).unwrap();
        server.go();
        Some(server)
    }

    fn path(&self) -> &Path {
        self.folder.path()
    }

    fn data(&self) -> String {
        self.path().join("data").display().to_string()
    }

    /// Starts it (again).
    pub fn go(&self) {
        let log = self.path().join("log").display().to_string();
        self.run("pg_ctl", &["-D", &self.data(), "-l", &log, "-w", "start"]);
    }

    /// Stops it like a power cut: no farewell, recovery at the next start.
    pub fn cut(&self) {
        self.run(
            "pg_ctl",
            &["-D", &self.data(), "-m", "immediate", "-w", "stop"],
        );
    }

    /// The address of its database.
    pub fn address(&self) -> String {
        let socket = self.path().display().to_string().replace('/', "%2F");
        format!("postgres://bassay@{socket}/postgres")
    }

    fn command(&self, program: &str, arguments: &[&str]) -> Command {
        let program = self.programs.join(program);
        let mut command = if self.root {
            let mut command = Command::new("runuser");
            command.args(["-u", "postgres", "--"]).arg(&program);
            command
        } else {
            Command::new(&program)
        };
        command
            .args(arguments)
            .current_dir("/")
            .stdin(Stdio::null())
            .stdout(Stdio::null());
        command
    }

    fn run(&self, program: &str, arguments: &[&str]) {
        let done = self.command(program, arguments).status().unwrap();
        assert!(done.success(), "{program} {arguments:?}");
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        // It may be stopped already; nothing else can be done here.
        let data = self.data();
        let _ = self
            .command("pg_ctl", &["-D", &data, "-m", "immediate", "-w", "stop"])
            .stderr(Stdio::null())
            .status();
    }
}

/// The folder of `initdb`: Debian's own place first, then the search path.
fn programs() -> Option<PathBuf> {
    let mut places: Vec<PathBuf> = std::fs::read_dir("/usr/lib/postgresql")
        .map(|list| list.flatten().map(|e| e.path().join("bin")).collect())
        .unwrap_or_default();
    places.sort();
    places.reverse();
    let path = std::env::var_os("PATH").unwrap_or_default();
    places.extend(std::env::split_paths(&path));
    places
        .into_iter()
        .find(|p| p.join("initdb").is_file() && p.join("pg_ctl").is_file())
}
