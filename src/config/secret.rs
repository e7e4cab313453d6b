//! Passwords: from a file or the environment, never from the config and never shown.

use std::path::Path;

use super::checked::Context;
use super::mistake::{At, Place, Shown};
use super::table::Field;
use crate::mqtt::settings::Secret;

/// The password a file or a variable holds. Nothing that could be the password itself is shown.
pub(super) fn password(
    file: &Field<At<String>>,
    variable: &Field<At<String>>,
    context: &mut Context<'_>,
) -> Option<Secret> {
    if let (Some(_), Some(variable)) = (file.given(), variable.given()) {
        context.out.mistake(&variable.place, "password_file is set too", "write one of them");
        return None;
    }
    let (at, text) = match (file.given(), variable.given()) {
        (Some(file), _) => (file, password_from_file(file, context)?),
        (_, Some(variable)) => (variable, password_from_variable(variable, context)?),
        _ => return None,
    };
    let text = text.trim_end_matches(['\n', '\r']);
    if text.is_empty() || text.contains(['\n', '\r']) {
        let says = if text.is_empty() { "holds no password" } else { "holds more than one line" };
        context.out.mistake(&at.place, says, "put the password alone in its first line");
        return None;
    }
    Some(Secret::new(text.to_owned()))
}

fn password_from_file(file: &At<String>, context: &mut Context<'_>) -> Option<String> {
    let path = context.beside(&file.value);
    match context.env.read(&path) {
        Ok(text) => {
            warn_if_open(&file.place, &path, context);
            Some(text)
        }
        Err(error) => {
            let says = format!("the file cannot be read: {error}");
            let remedy = "make one that only this user may read, with the password in its first line";
            context.out.mistake(&file.place, says, remedy);
            None
        }
    }
}

fn password_from_variable(variable: &At<String>, context: &mut Context<'_>) -> Option<String> {
    let is_name = |c: char| c.is_ascii_uppercase() || c.is_ascii_digit() || c == '_';
    if variable.value.is_empty() || !variable.value.chars().all(is_name) {
        let hidden = Place { shown: Shown::Key, ..variable.place.clone() };
        let says = "not the name of an environment variable (not shown: it may be a password)";
        context.out.mistake(&hidden, says, "write a name in capitals, such as \"FADELINE_BROKER_PASSWORD\"");
        return None;
    }
    let text = context.env.variable(&variable.value);
    if text.is_none() {
        let remedy = format!("set {} where the daemon is started, or use password_file", variable.value);
        context.out.mistake(&variable.place, "this environment variable is not set", remedy);
    }
    text
}

/// Warns of a file with a secret that others may read.
pub(super) fn warn_if_open(at: &Place, path: &Path, context: &mut Context<'_>) {
    if context.env.open_to_all(path) {
        let remedy = format!("run chmod 600 {}", path.display());
        context.out.warn(at, "every user of this machine may read the file", remedy);
    }
}
