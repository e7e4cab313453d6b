//! A real mosquitto for a test: own port, own directory, gone when dropped.

use std::fs::{self, File};
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// How long anything a test waits for may take before the test fails.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// A running mosquitto with persistence, and the shipped settings for queues.
pub struct Mosquitto {
    dir: PathBuf,
    /// Where it listens on loopback.
    pub port: u16,
    child: Option<Child>,
}

/// A port nobody listens on at the moment.
pub fn free_port() -> u16 {
    TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap().local_addr().unwrap().port()
}

/// Polls until `ready` gives something, or panics after [`PATIENCE`].
pub fn wait_for<T>(what: &str, mut ready: impl FnMut() -> Option<T>) -> T {
    let start = Instant::now();
    loop {
        if let Some(value) = ready() {
            return value;
        }
        assert!(start.elapsed() < PATIENCE, "waited {PATIENCE:?} for {what}");
        std::thread::yield_now();
        std::thread::park_timeout(Duration::from_millis(20));
    }
}

impl Mosquitto {
    /// Starts one in `dir`; the lines are added to its config.
    pub fn start(dir: &Path, lines: &str) -> Self {
        let mut broker = Self { dir: dir.to_owned(), port: free_port(), child: None };
        let data = dir.join("mosquitto-data");
        fs::create_dir_all(&data).unwrap();
        let config = format!(
            "listener {} 127.0.0.1\nallow_anonymous true\nuser root\npersistence true\npersistence_location {}/\n\
             autosave_interval 1\nmax_queued_messages 0\nmax_queued_bytes 0\nmax_inflight_messages 0\n{lines}\n",
            broker.port,
            data.display()
        );
        fs::write(dir.join("mosquitto.conf"), config).unwrap();
        broker.up();
        broker
    }

    /// Starts it (again) on its port.
    pub fn up(&mut self) {
        let log = File::options().create(true).append(true).open(self.dir.join("mosquitto.log")).unwrap();
        let binary = if Path::new("/usr/sbin/mosquitto").exists() { "/usr/sbin/mosquitto" } else { "mosquitto" };
        let child = Command::new(binary)
            .arg("-c")
            .arg(self.dir.join("mosquitto.conf"))
            .stdout(log.try_clone().unwrap())
            .stderr(log)
            .stdin(Stdio::null())
            .spawn()
            .expect("mosquitto must be installed: see tests/run");
        self.child = Some(child);
        wait_for("mosquitto to listen", || TcpStream::connect((Ipv4Addr::LOCALHOST, self.port)).ok());
    }

    /// Stops it in an orderly way, so that it saves its sessions.
    pub fn down(&mut self) {
        if let Some(mut child) = self.child.take() {
            let stopped = Command::new("kill").arg(child.id().to_string()).status();
            if stopped.is_ok_and(|s| s.success()) {
                let _ = child.wait();
            } else {
                let _ = child.kill();
            }
        }
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        self.down();
    }
}
