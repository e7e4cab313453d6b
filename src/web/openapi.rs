//! The description of the API, from the same constants that the routes are made of.

use serde_json::{Value, json};

use super::{bulk, route};
use crate::alert::Kind;
use crate::domain::{Channel, Condition, ServiceAction};
use crate::query::series::Resolution;

/// One operation: address, method, what it does, the schema of its answer.
pub const OPERATIONS: [(&str, &str, &str, &str); 19] = [
    (route::UNITS, "get", "Every unit, worst first", "Units"),
    (route::FLEET, "get", "Every unit with its recent course, worst first", "Fleet"),
    (route::UNKNOWN, "get", "Units that send readings but stand in no config", "Unknown"),
    (route::ASSESSMENT, "get", "What is said about a unit now", "Assessment"),
    (route::LOGBOOK, "get", "The service history of a unit", "Logbook"),
    (route::LOGBOOK, "post", "Record a service action; the same entry twice is kept once", "Logged"),
    (route::TREND, "get", "The days of a unit", "Trend"),
    (route::READINGS, "get", "A part of a unit's history, as JSON or CSV; lowest and highest are kept", "Series"),
    (route::EPISODES, "get", "Cloudy times and steps that nobody logged", "Episodes"),
    (
        route::COURSE,
        "get",
        "The days behind as the fit explains them: fitted light, points lost to each cause",
        "Course",
    ),
    (route::DOSSIER, "get", "Everything known of a unit", "Dossier"),
    (route::ALERTS, "get", "Every live alert, the most urgent first", "Alerts"),
    (route::ORDER, "post", "Acknowledge, silence or reopen the alerts of a unit, of one kind or of all", "Ordered"),
    (bulk::ARCHIVE, "get", "Readings or service history of a unit, a site or all, as an archive", "Archive"),
    (bulk::CHECK, "get", "Read everything that is stored and check it: lines of JSON", "Lines"),
    (route::ROUND, "get", "The next trip", "Round"),
    (route::MONTH, "get", "The monthly record of a site, as JSON or CSV; not a regulatory form", "Month"),
    (route::EVENTS, "get", "What changes, as server-sent events", "Events"),
    (route::OPENAPI, "get", "This description", "Any"),
];

/// Answers that can be had as CSV.
const TABLES: [&str; 8] = ["Units", "Logbook", "Trend", "Series", "Month", "Alerts", "Episodes", "Round"];

/// OpenAPI 3.1.
pub fn document() -> Value {
    let mut paths = json!({});
    for (path, method, summary, schema) in OPERATIONS {
        paths[path][method] = operation(path, method, summary, schema);
    }
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Fadeline",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "Why the light of small UV units is fading, when it will be too little, what to bring. \
                            Nothing here says that water is safe."
        },
        "paths": paths,
        "security": [{}, {"token": []}],
        "components": {"schemas": schemas(), "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}}}
    })
}

fn operation(path: &str, method: &str, summary: &str, schema: &str) -> Value {
    let problem = json!({
        "description": "Why not (RFC 9457)",
        "content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
    });
    let mut content = json!({"application/json": {"schema": {"$ref": format!("#/components/schemas/{schema}")}}});
    if TABLES.contains(&schema) {
        content["text/csv"] = json!({"schema": {"type": "string"}});
    }
    if schema == "Archive" {
        content = json!({"application/octet-stream": {"schema": {"type": "string"}}});
    }
    if schema == "Lines" {
        content = json!({"application/x-ndjson": {"schema": {"type": "string"}}});
    }
    if schema == "Events" {
        content = json!({"text/event-stream": {"schema": {"type": "string"}}});
    }
    let answer = json!({"description": summary, "content": content});
    let mut operation = json!({
        "summary": summary,
        "operationId": format!("{method}-{}", schema.to_lowercase()),
        "parameters": parameters(path),
        "responses": {"200": answer, "default": problem}
    });
    if method == "post" {
        let body = if schema == "Ordered" { "Order" } else { "Entry" };
        operation["responses"]["201"] = answer;
        operation["requestBody"] = json!({
            "required": true,
            "content": {"application/json": {"schema": {"$ref": format!("#/components/schemas/{body}")}}}
        });
    }
    operation
}

fn parameters(path: &str) -> Value {
    let id = json!({"type": "string", "pattern": "^[a-z0-9][a-z0-9-]{0,39}$"});
    let time = json!({"type": "string", "format": "date-time"});
    let within = |name: &str, schema: Value| json!({"name": name, "in": "path", "required": true, "schema": schema});
    let asked = |name: &str, schema: Value| json!({"name": name, "in": "query", "schema": schema});
    let mut list = Vec::new();
    if path.contains("{site}") {
        list.push(within("site", id.clone()));
    }
    if path.contains("{unit}") {
        list.push(within("unit", id));
    }
    if path.contains("{kind}") {
        let kinds: Vec<&str> = Kind::ALL.iter().map(|kind| kind.name()).chain(["all"]).collect();
        list.push(within("kind", json!({"enum": kinds})));
    }
    let format = asked("format", json!({"enum": ["json", "csv"]}));
    let whole = |low: u32, high: u32| json!({"type": "integer", "minimum": low, "maximum": high});
    match path {
        route::MONTH => {
            list.extend([within("month", json!({"type": "string", "pattern": "^[0-9]{4}-(0[1-9]|1[0-2])$"})), format]);
        }
        route::READINGS => list.extend([
            asked("from", time.clone()),
            asked("to", time),
            asked("resolution", json!({"enum": Resolution::ALL.map(Resolution::name)})),
            asked("points", whole(1, 50_000)),
            asked("channel", json!({"enum": Channel::ALL.map(Channel::name)})),
            format,
        ]),
        bulk::ARCHIVE => list.extend([
            asked("of", json!({"type": "string"})),
            asked("from", time.clone()),
            asked("to", time),
            asked("logbook", json!({"type": "boolean"})),
            asked("everything", json!({"type": "boolean"})),
        ]),
        route::UNITS | route::TREND | route::LOGBOOK | route::ALERTS | route::EPISODES => list.push(format),
        route::ROUND => list.extend([
            asked("day_minutes", whole(60, 1_440)),
            asked("visit_minutes", whole(5, 1_440)),
            asked("travel_minutes", whole(0, 1_440)),
            asked("interval_days", whole(1, 365)),
            format,
        ]),
        _ => {}
    }
    Value::Array(list)
}

fn list_of(name: &str, item: &str) -> Value {
    let items = json!({"type": "array", "items": {"$ref": format!("#/components/schemas/{item}")}});
    json!({"type": "object", "required": [name], "properties": {name: items}})
}

fn schemas() -> Value {
    let object = |required: &[&str]| json!({"type": "object", "required": required});
    let row = json!({
        "type": "object", "required": ["site", "unit", "zone", "condition", "intensity_unit", "set_point"],
        "properties": {
            "site": {"type": "string"}, "unit": {"type": "string"}, "set_point": {"type": "number"},
            "condition": {"enum": Condition::ALL.iter().map(|c| c.name()).collect::<Vec<_>>()},
            "intensity_unit": {"enum": ["mW/cm2", "percent"]}
        }
    });
    let entry = json!({
        "type": "object", "required": ["time", "action"],
        "properties": {
            "time": {"type": "string", "format": "date-time"}, "action": {"enum": ServiceAction::ALL.map(ServiceAction::name)},
            "value": {"type": ["number", "null"]}, "by": {"type": ["string", "null"], "maxLength": 80},
            "note": {"type": ["string", "null"], "maxLength": 2000}
        }
    });
    let point = json!({
        "type": "object", "required": ["at", "value", "low", "high", "count"],
        "properties": {"value": {"type": "number"}, "low": {"type": "number"}, "high": {"type": "number"}, "count": {"type": "integer"}}
    });
    let fitted = json!({
        "type": "object", "required": ["date", "intensity", "lost"],
        "properties": {
            "date": {"type": "string", "format": "date"}, "intensity": {"type": "number"},
            "lost": {"type": "object", "required": ["sleeve", "lamp", "sensor", "water", "unexplained"]}
        }
    });
    let order = json!({
        "type": "object", "required": ["do"],
        "properties": {
            "do": {"enum": ["acknowledge", "silence", "reopen"]}, "by": {"type": ["string", "null"], "maxLength": 80},
            "note": {"type": ["string", "null"], "maxLength": 2000},
            "until": {"type": ["string", "null"], "format": "date-time"}
        }
    });
    let mut series = list_of("points", "Point");
    series["required"] = json!(["site", "unit", "channel", "measure", "resolution", "thinned", "from", "to", "points"]);
    json!({
        "Problem": {"type": "object", "required": ["title", "status", "detail"],
            "properties": {"title": {"type": "string"}, "status": {"type": "integer"}, "detail": {"type": "string"}}},
        "Any": {"type": "object"},
        "Events": {"type": "string"},
        "Row": row,
        "Entry": entry,
        "Point": point,
        "Series": series,
        "Units": list_of("units", "Row"),
        "Line": object(&["site", "row", "course"]),
        "Fleet": list_of("units", "Line"),
        "Stranger": object(&["unit", "readings", "last"]),
        "Unknown": list_of("unknown", "Stranger"),
        "Logbook": list_of("entries", "Entry"),
        "Logged": object(&["entry", "already"]),
        "Assessment": object(&["schema", "site", "unit", "as_of", "condition", "verdict", "forecast", "episodes", "unlogged", "parts", "cautions"]),
        "Trend": object(&["site", "unit", "intensity_unit", "set_point", "days", "log"]),
        "Episodes": object(&["episodes", "unlogged"]),
        "Course": list_of("days", "FittedDay"),
        "FittedDay": fitted,
        "Alerts": object(&["alerts"]),
        "Ordered": object(&["alerts"]),
        "Order": order,
        "Archive": {"type": "string"},
        "Lines": {"type": "string"},
        "Dossier": object(&["site", "row", "trend", "recent"]),
        "Round": object(&["today", "rules", "days", "parts", "waiting"]),
        "Month": object(&["site", "month", "units"])
    })
}
