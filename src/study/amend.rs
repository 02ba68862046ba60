//! Changes of `study.toml` that leave what the person wrote in it, remarks included, as it is.

use serde::Serialize;
use toml_edit::{ArrayOfTables, DocumentMut, Item, Table, Value, value};

use super::{Config, ConfigError, FORMAT, Mounted, placed};

/// The remark over what a study is given of its set.
const SET: &str =
    "\n# The set that this study was begun with. It stays, so that phases can be compared.\n";

/// The text of `study.toml` with the format that this version writes, and with what that has and an
/// earlier one had not: the set of workloads as `config` has it.
///
/// # Errors
/// When `text` is no TOML.
pub fn with_format(text: &str, config: &Config) -> Result<String, ConfigError> {
    let mut document = document(text)?;
    let mut remark = SET;
    if !document.contains_key("run") {
        document["run"] = Item::Table(table(&config.run, std::mem::take(&mut remark)));
    }
    for workload in &config.workloads {
        if has_workload(&document, &workload.name) {
            continue;
        }
        let item = document.entry("workload");
        let item = item.or_insert(Item::ArrayOfTables(ArrayOfTables::new()));
        match item {
            Item::ArrayOfTables(tables) => {
                tables.push(table(workload, std::mem::take(&mut remark)));
            }
            // Written on one line.
            Item::Value(Value::Array(array)) => {
                array.push(table(workload, "").into_inline_table());
            }
            _ => {}
        }
    }
    let mut format = Value::from(i64::from(FORMAT));
    if let Some(old) = document.get("format").and_then(Item::as_value) {
        *format.decor_mut() = old.decor().clone();
    }
    document["format"] = Item::Value(format);
    Ok(document.to_string())
}

/// The text of `study.toml` with another mount under the share.
///
/// # Errors
/// When `text` is no TOML.
pub fn with_mount(text: &str, mount: &Mounted) -> Result<String, ConfigError> {
    let mut document = document(text)?;
    let mut table = Table::new();
    for (name, content) in [
        ("point", &mount.point),
        ("kind", &mount.kind),
        ("source", &mount.source),
    ] {
        table[name] = value(content.as_str());
    }
    // In the place of the old one, under whatever remark stands over it.
    match document.get_mut("mount").and_then(Item::as_table_mut) {
        Some(old) => {
            let (decor, position) = (old.decor().clone(), old.position());
            *table.decor_mut() = decor;
            table.set_position(position);
            *old = table;
        }
        None => document["mount"] = Item::Table(table),
    }
    Ok(document.to_string())
}

/// `value` as a table under `remark`.
fn table(value: &impl Serialize, remark: &str) -> Table {
    let text = toml::to_string(value).expect("a set is plain data");
    let document: DocumentMut = text.parse().expect("it was written as TOML");
    let mut table = document.as_table().clone();
    table.set_position(None);
    let before = if remark.is_empty() { "\n" } else { remark };
    table.decor_mut().set_prefix(before);
    table
}

/// Whether a workload of this name stands in it, in whichever way.
fn has_workload(document: &DocumentMut, name: &str) -> bool {
    let is_named = |of: Option<&Item>| of.and_then(Item::as_str) == Some(name);
    match document.get("workload") {
        Some(Item::ArrayOfTables(tables)) => tables.iter().any(|of| is_named(of.get("name"))),
        Some(Item::Value(Value::Array(array))) => array.iter().any(|of| {
            let named = of.as_inline_table().and_then(|of| of.get("name"));
            named.and_then(Value::as_str) == Some(name)
        }),
        _ => false,
    }
}

fn document(text: &str) -> Result<DocumentMut, ConfigError> {
    text.parse().map_err(|error: toml_edit::TomlError| {
        ConfigError::Syntax(placed(text, error.span(), error.message()))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::Config;

    const TEXT: &str = "\
# mine
format = 1 # old
id = \"00000000000000000000000000001234\"
created = \"2026-03-02T08:00:00Z\"
seed = \"63\"
share = \"/mnt/scans\"

# what is there
[mount]
point = \"/mnt/scans\"
kind = \"nfs4\"
source = \"archive:/scans\"

# ours
[pool]
level = \"raid6\" # four
drives = 4
";

    #[test]
    fn remarks_stay_where_they_are() {
        let mount = Mounted {
            point: "/mnt/scans".into(),
            kind: "nfs4".into(),
            source: "archive:/new \"scans\"".into(),
        };
        let read = begun(TEXT);
        let moved = with_mount(&with_format(TEXT, &read).unwrap(), &mount).unwrap();
        let expected = TEXT
            .replace("format = 1", &format!("format = {FORMAT}"))
            .replace("\"archive:/scans\"", "'archive:/new \"scans\"'");
        let set = moved.strip_prefix(&expected).unwrap();
        assert!(set.starts_with(SET) && set.matches("[[workload]]").count() == 6);
        let config = Config::parse(&moved).unwrap();
        assert_eq!((config.mount, config.format), (Some(mount), FORMAT));
    }

    /// What the text says of a study of which something was measured.
    fn begun(text: &str) -> Config {
        let mut config = Config::parse(text).unwrap();
        config.complete_set(true);
        config
    }

    #[test]
    fn the_set_is_written_down_beside_workloads_of_ones_own_once() {
        let one = "name = \"patron\"\nread_percent = 100\naccess = \"random\"\nblock = \"8 KiB\"\ndepth = 4\n";
        let own = format!("{TEXT}\n[[workload]] # ours\n{one}# and that is all\n");
        let line = one.trim_end().replace('\n', ", ");
        let inline = TEXT.replace(
            "\n# what is",
            &format!("workload = [{{{line}}}]\n\n# what is"),
        );
        for text in [TEXT, &own, &inline] {
            let read = begun(text);
            let written = with_format(text, &read).unwrap();
            let config = Config::parse(&written).unwrap();
            let expected = Config {
                format: FORMAT,
                ..read.clone()
            };
            assert_eq!(config, expected, "{written}");
            assert_eq!(with_format(&written, &read).as_ref(), Ok(&written));
        }
        let written = with_format(&own, &begun(&own)).unwrap();
        assert!(written.contains("[[workload]] # ours"), "{written}");
        assert!(written.ends_with("# and that is all\n"), "{written}");
    }

    #[test]
    fn a_mount_is_added_where_none_was_told() {
        let (head, rest) = TEXT.split_once("# what is there").unwrap();
        let (_, rest) = rest.split_once("# ours").unwrap();
        let text = format!("{head}# ours{rest}");
        let mount = Mounted {
            point: "/".into(),
            kind: "ext4".into(),
            source: "/dev/sda1".into(),
        };
        let config = Config::parse(&with_mount(&text, &mount).unwrap()).unwrap();
        assert_eq!(config.mount, Some(mount));
        assert!(config.pool.is_some());
    }
}
