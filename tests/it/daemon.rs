//! The daemon as a process of its own.

use std::ffi::OsString;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

use fadeline::query::{Answer, Query};
use fadeline::web::client;

/// How long anything a test waits for may take before the test fails.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// Polls until `ready` gives something, or panics after [`PATIENCE`].
pub fn wait_for<T>(what: &str, mut ready: impl FnMut() -> Option<T>) -> T {
    let start = Instant::now();
    loop {
        if let Some(value) = ready() {
            return value;
        }
        assert!(start.elapsed() < PATIENCE, "waited {PATIENCE:?} for {what}");
        std::thread::park_timeout(Duration::from_millis(20));
    }
}

/// A running `fadeline watch`, killed when dropped.
pub struct Daemon {
    config: PathBuf,
    socket: PathBuf,
    log: PathBuf,
    child: Child,
    /// What its processes get beside their arguments.
    envs: Vec<(OsString, OsString)>,
}

impl Daemon {
    /// Starts it with this config, whose store is `store` beside it, and waits until it answers.
    pub fn start(config: &Path) -> Self {
        Self::start_with(config, |_| {})
    }

    /// The same with an environment of its own, which it keeps when it is started again.
    pub fn start_with(config: &Path, environment: impl FnOnce(&mut Command)) -> Self {
        let mut given = Command::new("");
        environment(&mut given);
        let envs: Vec<(OsString, OsString)> =
            given.get_envs().filter_map(|(name, value)| Some((name.to_owned(), value?.to_owned()))).collect();
        let dir = config.parent().unwrap();
        let (socket, log) = (dir.join("store/fadeline.sock"), dir.join("daemon.log"));
        let mut daemon =
            Self { config: config.to_owned(), socket, log: log.clone(), child: spawn(config, &log, &envs), envs };
        daemon.wait_ready();
        daemon
    }

    fn wait_ready(&mut self) {
        let (socket, log) = (self.socket.clone(), self.log.clone());
        let child = &mut self.child;
        wait_for("the daemon to answer", || {
            if let Some(status) = child.try_wait().unwrap() {
                panic!("the daemon ended with {status}:\n{}", fs::read_to_string(&log).unwrap());
            }
            client::ask_blocking(&socket, &Query::Units).ok()
        });
    }

    /// Asks it.
    pub fn ask(&self, query: &Query) -> Answer {
        client::ask_blocking(&self.socket, query).unwrap_or_else(|e| panic!("{e}\n{}", self.log()))
    }

    /// kill -9, then start it again.
    pub fn kill_and_restart(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
        self.child = spawn(&self.config, &self.log, &self.envs);
        self.wait_ready();
    }

    /// kill -9.
    pub fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Starts it again, without waiting for anything.
    pub fn start_again(&mut self) {
        self.child = spawn(&self.config, &self.log, &self.envs);
    }

    /// Starts it again and waits until it answers.
    pub fn restart(&mut self) {
        self.start_again();
        self.wait_ready();
    }

    /// Its process id.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// SIGTERM, and how it ended.
    pub fn stop(&mut self) -> ExitStatus {
        let id = self.child.id().to_string();
        assert!(Command::new("kill").arg(&id).status().unwrap().success());
        let child = &mut self.child;
        wait_for("the daemon to stop", || child.try_wait().unwrap())
    }

    /// What it has logged.
    pub fn log(&self) -> String {
        fs::read_to_string(&self.log).unwrap()
    }
}

fn spawn(config: &Path, log: &Path, envs: &[(OsString, OsString)]) -> Child {
    let log = File::options().create(true).append(true).open(log).unwrap();
    Command::new(env!("CARGO_BIN_EXE_fadeline"))
        .args(["watch", "--config"])
        .arg(config)
        .envs(envs.iter().map(|(name, value)| (name, value)))
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(log)
        .spawn()
        .unwrap()
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ended = self.child.kill();
        let _status = self.child.wait();
    }
}
