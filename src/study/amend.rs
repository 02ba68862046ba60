//! Changes of `study.toml` that leave what the person wrote in it, remarks included, as it is.

use toml_edit::{DocumentMut, Item, Table, Value, value};

use super::{ConfigError, FORMAT, Mounted, placed};

/// The text of `study.toml` with the format that this version writes.
///
/// # Errors
/// When `text` is no TOML.
pub fn with_format(text: &str) -> Result<String, ConfigError> {
    let mut document = document(text)?;
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
        let moved = with_mount(&with_format(TEXT).unwrap(), &mount).unwrap();
        let expected = TEXT
            .replace("format = 1", &format!("format = {FORMAT}"))
            .replace("\"archive:/scans\"", "'archive:/new \"scans\"'");
        assert_eq!(moved, expected);
        let config = Config::parse(&moved).unwrap();
        assert_eq!((config.mount, config.format), (Some(mount), FORMAT));
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
