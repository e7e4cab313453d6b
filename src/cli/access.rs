//! `fadeline access`: who may open the pages. Changes count at once.

use std::io::{IsTerminal, Read, stdin};
use std::path::PathBuf;

use clap::Subcommand;

use crate::web::access::{Book, Role, Token, User, fingerprint, hash_password, secret};

use super::{Exit, Failure, output};

/// Passwords are at least so long, characters.
const PASSWORD_MIN_CHARS: usize = 10;

/// Arguments of `access`.
#[derive(Clone, Debug, clap::Args)]
pub struct AccessArgs {
    /// The access file that the config names
    #[arg(long, value_name = "FILE", default_value = "access.toml")]
    file: PathBuf,
    #[command(subcommand)]
    what: What,
}

#[derive(Clone, Debug, Subcommand)]
enum What {
    /// Add somebody, or change a password; it is asked for, or read from standard input where that is no terminal
    AddUser(Grant),
    /// Add a token for a program; it is shown once
    AddToken(Grant),
    /// Revoke a user or a token
    Revoke {
        /// Its name
        name: String,
    },
    /// Show who may do what
    List,
}

#[derive(Clone, Debug, clap::Args)]
struct Grant {
    /// Its name
    name: String,
    /// What it may do
    #[arg(long, value_enum, default_value = "read")]
    role: Role,
    /// Where; repeat it for more sites, * for every one
    #[arg(long = "site", value_name = "SITE", required = true)]
    sites: Vec<String>,
}

/// Changes or shows the access file.
pub fn run(args: &AccessArgs) -> Result<(), Failure> {
    let io = |error: std::io::Error| Failure::new(Exit::Io, format!("{}: {error}", args.file.display()));
    let mut book = if args.file.exists() { Book::load(&args.file).map_err(io)? } else { Book::default() };
    let broken = || Failure::new(Exit::Failure, "the system has no random bytes".to_owned());
    let text = match &args.what {
        What::AddUser(Grant { name, role, sites }) => {
            let password = hash_password(&password()?).ok_or_else(broken)?;
            book.users.retain(|user| user.name != *name);
            book.users.push(User { name: name.clone(), password, role: *role, sites: sites.clone() });
            format!("{name} may log in\n")
        }
        What::AddToken(Grant { name, role, sites }) => {
            let token = secret().ok_or_else(broken)?;
            book.tokens.retain(|known| known.name != *name);
            book.tokens.push(Token {
                name: name.clone(),
                hash: fingerprint(&token),
                role: *role,
                sites: sites.clone(),
            });
            format!("{token}\n")
        }
        What::Revoke { name } => {
            let before = book.users.len() + book.tokens.len();
            book.users.retain(|user| user.name != *name);
            book.tokens.retain(|token| token.name != *name);
            if before == book.users.len() + book.tokens.len() {
                return Err(Failure::new(Exit::Usage, format!("there is no user and no token `{name}`")));
            }
            format!("{name} is revoked\n")
        }
        What::List => return output::print(&list(&book)),
    };
    book.save(&args.file).map_err(io)?;
    output::print(&text)
}

fn list(book: &Book) -> String {
    let users = book.users.iter().map(|u| ("user", &u.name, u.role, &u.sites));
    let tokens = book.tokens.iter().map(|t| ("token", &t.name, t.role, &t.sites));
    users
        .chain(tokens)
        .map(|(kind, name, role, sites)| format!("{kind:<6} {name:<24} {role:?} {}\n", sites.join(" ")))
        .collect()
}

/// Typed without being shown, twice; from standard input where nobody types.
fn password() -> Result<String, Failure> {
    let io = |error: std::io::Error| Failure::new(Exit::Io, format!("the password cannot be read: {error}"));
    let text = if stdin().is_terminal() {
        let typed = rpassword::prompt_password("password (not shown): ").map_err(io)?;
        if rpassword::prompt_password("once more: ").map_err(io)? != typed {
            return Err(Failure::new(Exit::Usage, "the two passwords differ; nothing was changed".to_owned()));
        }
        typed
    } else {
        let mut text = String::new();
        stdin().read_to_string(&mut text).map_err(io)?;
        text
    };
    let text = text.trim_end_matches(['\n', '\r']).to_owned();
    if text.chars().count() < PASSWORD_MIN_CHARS {
        return Err(Failure::new(Exit::Usage, format!("a password has at least {PASSWORD_MIN_CHARS} characters")));
    }
    Ok(text)
}
