//! Real brokers and bad networks for the tests.

use std::fs;
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use fadeline::mqtt::settings::{BrokerSettings, Protocol};
use tokio::sync::watch;

/// How long anything may take before a test gives up.
pub const DEADLINE: Duration = Duration::from_secs(30);

/// A mosquitto of its own on a loopback port, with its data in a temporary place. Ends with the test.
pub struct Mosquitto {
    folder: tempfile::TempDir,
    port: u16,
    child: Option<Child>,
}

impl Mosquitto {
    /// Starts one with the settings a deployment needs, and `more` lines of configuration; `{folder}` in them stands for
    /// its folder.
    pub fn start(more: &str) -> Self {
        let mut broker = Self::prepare(more);
        broker.run();
        broker
    }

    /// The same, not running yet.
    pub fn prepare(more: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let path = folder.path().display().to_string();
        // `user root`: started by root it would become another user, who may not use our folder. No effect otherwise.
        let config = format!(
            "user root\nlistener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\nmax_queued_bytes 0\n\
             max_inflight_messages 0\npersistence_location {path}/\n{}\n",
            more.replace("{folder}", &path)
        );
        fs::write(folder.path().join("mosquitto.conf"), config).unwrap();
        Self { folder, port, child: None }
    }

    pub fn run(&mut self) {
        let config = self.folder.path().join("mosquitto.conf");
        let log = fs::File::create(self.folder.path().join("log")).unwrap();
        let program = ["/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto"].iter().find(|path| Path::new(path).exists());
        let program = program.copied().unwrap_or("mosquitto");
        let child = Command::new(program)
            .args(["-c", &config.display().to_string()])
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("mosquitto must be installed for this test (Debian: apt-get install mosquitto mosquitto-clients)");
        self.child = Some(child);
        let deadline = Instant::now() + DEADLINE;
        while TcpStream::connect(self.address()).is_err() {
            assert!(
                Instant::now() < deadline,
                "mosquitto: {}",
                fs::read_to_string(self.folder.path().join("log")).unwrap()
            );
            std::thread::yield_now();
        }
    }

    pub fn address(&self) -> SocketAddr {
        ([127, 0, 0, 1], self.port).into()
    }

    pub fn folder(&self) -> PathBuf {
        self.folder.path().to_owned()
    }

    /// Ends it as a service manager would: it saves its data.
    pub fn stop(&mut self) {
        let Some(mut child) = self.child.take() else { return };
        let asked = Command::new("kill").args(["-TERM", &child.id().to_string()]).status().unwrap();
        assert!(asked.success());
        child.wait().unwrap();
    }

    /// Publishes one message at QoS 1 with mosquitto's own client, which knows nothing of ours.
    pub fn publish(&self, topic: &str, payload: &str) {
        let port = self.port.to_string();
        let done = Command::new("mosquitto_pub")
            .args(["-h", "127.0.0.1", "-p", &port, "-q", "1", "-t", topic, "-m", payload])
            .status()
            .unwrap();
        assert!(done.success());
    }

    /// The next `count` messages under `filter` as mosquitto's own client sees them; retained ones come first.
    pub fn listen(&self, filter: &str, count: usize) -> Child {
        let port = self.port.to_string();
        let count = count.to_string();
        Command::new("mosquitto_sub")
            .args(["-h", "127.0.0.1", "-p", &port, "-q", "1", "-t", filter, "-C", &count, "-W", "30", "-v"])
            .stdout(Stdio::piped())
            .spawn()
            .unwrap()
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ended = child.kill();
            let _ended = child.wait();
        }
    }
}

/// What a listener printed.
pub fn heard(listener: Child) -> Vec<String> {
    let output = listener.wait_with_output().unwrap();
    String::from_utf8(output.stdout).unwrap().lines().map(str::to_owned).collect()
}

/// Settings for a broker without TLS or login.
pub fn settings(address: SocketAddr, protocol: Protocol, client_id: &str) -> BrokerSettings {
    BrokerSettings {
        host: address.ip().to_string(),
        port: address.port(),
        protocol,
        tls: None,
        login: None,
        client_id: client_id.to_owned(),
        session_expiry: Duration::from_secs(3_600),
        keep_alive: Duration::from_secs(10),
        max_packet: 4 * 1024 * 1024,
    }
}

/// A network that can be cut: forwards connections to a broker.
pub struct Network {
    pub address: SocketAddr,
    /// Counts up at each cut; odd: no new connections either.
    cuts: watch::Sender<u32>,
}

impl Network {
    pub async fn to(broker: SocketAddr) -> Self {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let (cuts, watched) = watch::channel(0);
        tokio::spawn(async move {
            while let Ok((mut near, _)) = listener.accept().await {
                let mut watched = watched.clone();
                if *watched.borrow_and_update() % 2 == 1 {
                    continue;
                }
                tokio::spawn(async move {
                    let Ok(mut far) = tokio::net::TcpStream::connect(broker).await else { return };
                    tokio::select! {
                        _ = tokio::io::copy_bidirectional(&mut near, &mut far) => {}
                        _ = watched.changed() => {}
                    }
                });
            }
        });
        Self { address, cuts }
    }

    /// Breaks every connection; new ones come through.
    pub fn cut(&self) {
        self.cuts.send_modify(|cuts| *cuts += 2);
    }

    /// Breaks every connection and lets none through.
    pub fn close(&self) {
        self.cuts.send_modify(|cuts| *cuts += 1);
    }

    /// Lets connections through again.
    pub fn open(&self) {
        self.close();
    }
}
