//! What each step takes: tools, the way to do it, the check. Common practice, no source; the unit's papers win.

use crate::domain::ServiceAction;

/// What a technician confirms before a unit is opened.
pub const CAUTIONS: [&str; 7] = [
    "Power off and secured: nobody can switch it on while I work",
    "Water off and pressure released",
    "Lamp cooled down",
    "No ultraviolet light on eyes or skin: the lamp burns only with the unit closed",
    "Acid gloves and goggles on before the descaler is opened",
    "If a lamp breaks: mercury. Air the room, do not sweep or vacuum, follow the local rules for collecting it",
    "The unit's papers and the local codes come before this page",
];

/// One step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step {
    /// Which action it is logged as.
    pub action: ServiceAction,
    /// As a heading.
    pub title: &'static str,
    /// What to have at hand.
    pub tools: &'static str,
    /// How.
    pub how: &'static [&'static str],
    /// What to look at before it counts as done.
    pub check: &'static str,
}

const WINDOW: Step = Step {
    action: ServiceAction::SensorCleaned,
    title: "Wipe the sensor's window",
    tools: "lint-free cloth, alcohol or the cleaner its papers name, a spare O-ring",
    how: &[
        "Take the sensor out; mark how it sat",
        "Wipe the window clear, no fingers on it and never grease",
        "Fit it as it sat, O-ring clean and whole",
    ],
    check: "Window clear against a lamp, no drop at the thread with the valve part open",
};
const SLEEVE: Step = Step {
    action: ServiceAction::SleeveCleaned,
    title: "Clean the sleeve",
    tools: "descaler, soft cloth, gloves, goggles, O-rings, grease for the O-rings only",
    how: &[
        "Take the lamp out first, then the sleeve, with clean gloves",
        "Lay it in descaler until it is fully clear; rinse",
        "New O-rings; grease on the rings, never on the quartz",
    ],
    check: "Fully clear from end to end, or a new one; leak check with the valve part open, then fully",
};
const LAMP: Step = Step {
    action: ServiceAction::LampReplaced,
    title: "Fit a new lamp",
    tools: "the lamp the papers name, clean gloves",
    how: &[
        "Look at its ends: blackened ends say it is worn",
        "Touch the new one only by its ends",
        "Reset the unit's lamp timer",
    ],
    check: "Lit, timer reset, the old lamp packed for collection (mercury)",
};

/// The steps that the page leads through.
pub const ALL: [Step; 3] = [WINDOW, SLEEVE, LAMP];

/// The step of an action, if the page leads through it.
pub fn step(action: ServiceAction) -> Option<&'static Step> {
    ALL.iter().find(|step| step.action == action)
}

/// Where a step works.
pub fn place(action: ServiceAction) -> &'static str {
    match action {
        ServiceAction::SensorCleaned => "the window",
        ServiceAction::SensorReplaced => "the sensor",
        ServiceAction::SleeveCleaned | ServiceAction::SleeveReplaced => "the sleeve",
        ServiceAction::LampReplaced => "the lamp",
        _ => "the next step",
    }
}

/// What was done, as the subject of a sentence.
pub fn deed(action: ServiceAction) -> &'static str {
    match action {
        ServiceAction::SensorCleaned => "the wipe",
        ServiceAction::SensorReplaced => "the other sensor",
        ServiceAction::SleeveCleaned => "cleaning the sleeve",
        ServiceAction::SleeveReplaced => "the new sleeve",
        ServiceAction::LampReplaced => "the new lamp",
        _ => "this step",
    }
}
