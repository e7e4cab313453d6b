//! Who may do what: users with passwords, tokens, sessions. The file is read again whenever it has changed, so that a
//! revoked token ends at once.

use std::collections::HashMap;
use std::fs;
use std::io;
use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::{Duration, Instant, SystemTime};

use argon2::Argon2;
use argon2::password_hash::{PasswordHash, PasswordHasher, PasswordVerifier, SaltString};
use ring::digest::{SHA256, digest};
use ring::rand::{SecureRandom, SystemRandom};
use serde::{Deserialize, Serialize};

use crate::query::Scope;

/// A session nobody uses ends after this long.
const SESSION_IDLE: Duration = Duration::from_secs(12 * 3_600);
/// The most sessions at once; the oldest go.
const SESSIONS_MAX: usize = 1_000;
/// Wrong logins of one address or name before it has to wait.
const TRIES: u32 = 5;
/// The first wait; it doubles with every further wrong login.
const WAIT: Duration = Duration::from_secs(10);
/// The longest wait.
const WAIT_MAX: Duration = Duration::from_secs(900);
/// Addresses and names whose wrong logins are remembered.
const THROTTLED_MAX: usize = 10_000;

/// What somebody may do, in growing order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Look.
    Read,
    /// Record what was done, too.
    Service,
    /// Everything.
    Admin,
}

/// Somebody with a password.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct User {
    /// The name to log in with.
    pub name: String,
    /// Argon2id, PHC string.
    pub password: String,
    /// What he may do.
    pub role: Role,
    /// Where; `*` for every site.
    pub sites: Vec<String>,
}

/// A program's key.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Token {
    /// What it is for.
    pub name: String,
    /// SHA-256 of the token, hexadecimal: it has 256 random bits, so a slow hash would add nothing.
    pub hash: String,
    /// What it may do.
    pub role: Role,
    /// Where; `*` for every site.
    pub sites: Vec<String>,
}

/// The access file.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Book {
    /// People.
    #[serde(rename = "user")]
    pub users: Vec<User>,
    /// Programs.
    #[serde(rename = "token")]
    pub tokens: Vec<Token>,
}

impl Book {
    /// Reads the file.
    ///
    /// # Errors
    /// It cannot be read, or is not an access file.
    pub fn load(path: &Path) -> io::Result<Self> {
        toml::from_str(&fs::read_to_string(path)?).map_err(|e| io::Error::other(e.to_string()))
    }

    /// Writes it so that only its owner may read it, in one step.
    ///
    /// # Errors
    /// The system refuses.
    pub fn save(&self, path: &Path) -> io::Result<()> {
        use std::io::Write as _;
        use std::os::unix::fs::OpenOptionsExt as _;
        let text = toml::to_string(self).map_err(|e| io::Error::other(e.to_string()))?;
        let young = path.with_extension("new");
        let _ = fs::remove_file(&young);
        let mut file = fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(&young)?;
        file.write_all(text.as_bytes())?;
        file.sync_all()?;
        fs::rename(young, path)
    }
}

/// Who asks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Caller {
    /// A name for the log and the page; `None` where no login is needed.
    pub name: Option<String>,
    /// What he may do.
    pub role: Role,
    /// Where.
    pub scope: Scope,
    /// The word that a form of his session must send back.
    pub csrf: Option<String>,
}

impl Caller {
    /// Somebody who reaches the local socket, or loopback where nobody must log in.
    pub fn local() -> Self {
        Self { name: None, role: Role::Admin, scope: Scope::All, csrf: None }
    }
}

struct Session {
    user: String,
    csrf: String,
    used: Instant,
    /// The hash that was valid at the login: another password ends the session.
    password: String,
}

struct Throttle {
    wrong: u32,
    until: Instant,
}

#[derive(Default)]
struct State {
    book: Book,
    read_at: Option<SystemTime>,
    sessions: HashMap<String, Session>,
    throttles: HashMap<String, Throttle>,
}

/// Why a login failed.
#[derive(Debug, PartialEq, Eq)]
pub enum LoginError {
    /// Name or password; which of them is not told.
    Wrong,
    /// Too many wrong ones: wait so many seconds.
    Wait(u64),
    /// No random bytes.
    Broken,
}

/// The keeper of the access file and the sessions.
pub struct Access {
    path: PathBuf,
    state: Mutex<State>,
}

impl Access {
    /// Of the file at `path`.
    ///
    /// # Errors
    /// It cannot be read, or names nobody.
    pub fn open(path: &Path) -> io::Result<Self> {
        let book = Book::load(path)?;
        if book.users.is_empty() && book.tokens.is_empty() {
            return Err(io::Error::other("it names nobody; add a user with `fadeline access add-user`"));
        }
        Ok(Self { path: path.to_owned(), state: Mutex::default() })
    }

    fn state(&self) -> std::sync::MutexGuard<'_, State> {
        let mut state = self.state.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let changed = fs::metadata(&self.path).and_then(|meta| meta.modified()).ok();
        if changed.is_none() || changed != state.read_at {
            // A file that is gone or broken lets nobody in.
            state.book = Book::load(&self.path).unwrap_or_else(|error| {
                tracing::error!(path = %self.path.display(), "the access file cannot be read, so nobody may in: {error}");
                Book::default()
            });
            state.read_at = changed;
        }
        state
    }

    /// Who shows this token.
    pub fn token(&self, token: &str) -> Option<Caller> {
        let hash = fingerprint(token);
        let state = self.state();
        let known = state.book.tokens.iter().find(|known| known.hash == hash)?;
        Some(Caller { name: Some(known.name.clone()), role: known.role, scope: scope(&known.sites), csrf: None })
    }

    /// Whose session this is.
    pub fn session(&self, id: &str) -> Option<Caller> {
        let mut state = self.state();
        state.sessions.retain(|_, session| session.used.elapsed() < SESSION_IDLE);
        let state = &mut *state;
        let session = state.sessions.get_mut(&fingerprint(id))?;
        let user = state.book.users.iter().find(|u| u.name == session.user && u.password == session.password)?;
        session.used = now();
        let csrf = Some(session.csrf.clone());
        Some(Caller { name: Some(user.name.clone()), role: user.role, scope: scope(&user.sites), csrf })
    }

    /// Logs in; the id of the new session. Blocking: a password takes some tens of milliseconds.
    ///
    /// # Errors
    /// Wrong, or too often wrong.
    pub fn log_in(&self, name: &str, password: &str, from: IpAddr) -> Result<String, LoginError> {
        let keys = [format!("address {from}"), format!("name {name}")];
        let user = {
            let state = self.state();
            let wait = keys.iter().filter_map(|key| state.throttles.get(key)).filter(|t| t.wrong >= TRIES);
            if let Some(until) = wait.map(|throttle| throttle.until).max().filter(|until| *until > now()) {
                return Err(LoginError::Wait((until - now()).as_secs() + 1));
            }
            state.book.users.iter().find(|user| user.name == name).cloned()
        };
        // Somebody who is not there takes as long as somebody who is.
        let hash = user.as_ref().map_or(NOBODY, |user| &user.password);
        let right = PasswordHash::new(hash)
            .is_ok_and(|hash| Argon2::default().verify_password(password.as_bytes(), &hash).is_ok());
        let mut state = self.state();
        let Some(user) = user.filter(|_| right) else {
            keys.into_iter().for_each(|key| state.wrong(key));
            return Err(LoginError::Wrong);
        };
        keys.iter().for_each(|key| {
            state.throttles.remove(key);
        });
        let (id, csrf) = (secret().ok_or(LoginError::Broken)?, secret().ok_or(LoginError::Broken)?);
        if state.sessions.len() >= SESSIONS_MAX
            && let Some(oldest) = state.sessions.iter().min_by_key(|(_, s)| s.used).map(|(key, _)| key.clone())
        {
            state.sessions.remove(&oldest);
        }
        let session = Session { user: user.name, csrf, used: now(), password: user.password };
        state.sessions.insert(fingerprint(&id), session);
        Ok(id)
    }

    /// Ends a session.
    pub fn log_out(&self, id: &str) {
        self.state().sessions.remove(&fingerprint(id));
    }
}

impl State {
    fn wrong(&mut self, key: String) {
        if self.throttles.len() >= THROTTLED_MAX {
            self.throttles.retain(|_, throttle| throttle.until > now());
        }
        if self.throttles.len() < THROTTLED_MAX {
            let throttle = self.throttles.entry(key).or_insert(Throttle { wrong: 0, until: now() });
            throttle.wrong = throttle.wrong.saturating_add(1);
            let doubled = WAIT.saturating_mul(1 << throttle.wrong.saturating_sub(TRIES).min(8));
            throttle.until = now() + doubled.min(WAIT_MAX);
        }
    }
}

fn now() -> Instant {
    Instant::now()
}

/// Of a password that nobody has.
const NOBODY: &str = "$argon2id$v=19$m=19456,t=2,p=1$bm9ib2R5bm9ib2R5bm8$ZJEWkBZXhrlXpWQdNpYcfsFOMkEqwGXD1UsdnWhqTKk";

fn scope(sites: &[String]) -> Scope {
    if sites.iter().any(|site| site == "*") { Scope::All } else { Scope::Sites(sites.to_vec()) }
}

/// SHA-256, hexadecimal.
pub fn fingerprint(text: &str) -> String {
    digest(&SHA256, text.as_bytes()).as_ref().iter().map(|byte| format!("{byte:02x}")).collect()
}

/// 256 random bits, hexadecimal; `None` if the system has none.
pub fn secret() -> Option<String> {
    let mut bytes = [0; 32];
    SystemRandom::new().fill(&mut bytes).ok()?;
    Some(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}

/// The hash of a password; `None` if the system has no random bytes.
pub fn hash_password(password: &str) -> Option<String> {
    let mut salt = [0; 16];
    SystemRandom::new().fill(&mut salt).ok()?;
    let salt = SaltString::encode_b64(&salt).ok()?;
    Argon2::default().hash_password(password.as_bytes(), &salt).ok().map(|hash| hash.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sessions_tokens_and_throttling() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("access.toml");
        assert!(Access::open(&path).is_err(), "no file");
        Book::default().save(&path).unwrap();
        assert!(Access::open(&path).is_err(), "nobody in it");
        let sites = vec!["heron-bight".to_owned()];
        let user = User {
            name: "anna".into(),
            password: hash_password("long enough").unwrap(),
            role: Role::Service,
            sites: sites.clone(),
        };
        let token = Token { name: "wall".into(), hash: fingerprint("abc"), role: Role::Read, sites };
        let mut book = Book { users: vec![user], tokens: vec![token] };
        book.save(&path).unwrap();
        let access = Access::open(&path).unwrap();
        let from = "192.0.2.7".parse().unwrap();
        let id = access.log_in("anna", "long enough", from).unwrap();
        let caller = access.session(&id).unwrap();
        assert_eq!(
            (caller.role, caller.scope.allows("heron-bight"), caller.scope.allows("loon")),
            (Role::Service, true, false)
        );
        assert!(access.session("guess").is_none() && access.token("abd").is_none());
        assert_eq!(access.token("abc").unwrap().role, Role::Read);
        access.log_out(&id);
        assert!(access.session(&id).is_none(), "a replayed cookie is worth nothing");
        for _ in 0..TRIES {
            assert_eq!(access.log_in("anna", "wrong", from), Err(LoginError::Wrong));
        }
        assert!(
            matches!(access.log_in("anna", "long enough", from), Err(LoginError::Wait(_))),
            "even the right one waits"
        );
        book.tokens.clear();
        book.save(&path).unwrap();
        assert!(access.token("abc").is_none(), "revoked at once");
        fs::write(&path, "broken [").unwrap();
        assert!(access.log_in("anna", "long enough", "192.0.2.8".parse().unwrap()).is_err());
    }

    #[test]
    fn nobody_has_the_hash_of_nobody() {
        assert!(PasswordHash::new(NOBODY).is_ok());
    }
}
