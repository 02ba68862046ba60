//! What the person accepts while the pool grows: the table `[limits]`.

use serde::{Deserialize, Serialize};

/// The limits of what users should feel; each may be left out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Limits {
    /// The longest mean latency of small reads, in milliseconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub small_read_ms: Option<f64>,
    /// The least rate at which one user copies a large file from the share, in MB/s.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub copy_mb_per_s: Option<f64>,
}

impl Limits {
    /// Whether every limit is in its range.
    ///
    /// # Errors
    /// A sentence on what is wrong.
    pub fn validate(&self) -> Result<(), String> {
        let within = |value: Option<f64>, low: f64, high: f64| {
            value.is_none_or(|value| (low..=high).contains(&value))
        };
        if !within(self.small_read_ms, 0.01, 600_000.0) {
            return Err("small_read_ms is from 0.01 to 600000 milliseconds".to_owned());
        }
        if !within(self.copy_mb_per_s, 0.001, 1_000_000.0) {
            return Err("copy_mb_per_s is from 0.001 to 1000000 MB a second".to_owned());
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use crate::seed::Seed;
    use crate::study::{Config, Identity, Limits};

    fn with(lines: &str) -> Result<Config, String> {
        let created = "2026-03-02T08:00:00Z".parse().unwrap();
        let config = Config::new(Identity(1), Seed(1), created, "/mnt/scans".into());
        Config::parse(&format!("{}\n[limits]\n{lines}\n", config.render()))
            .map_err(|error| error.to_string())
    }

    #[test]
    fn limits_are_read_written_and_held_to_their_ranges() {
        let config = with("small_read_ms = 40.0 # ours\ncopy_mb_per_s = 60").unwrap();
        let limits = Limits {
            small_read_ms: Some(40.0),
            copy_mb_per_s: Some(60.0),
        };
        assert_eq!(config.limits, Some(limits));
        assert_eq!(Config::parse(&config.render()), Ok(config));
        for (bad, told) in [
            ("small_read_ms = 0.0", "small_read_ms is from"),
            ("small_read_ms = nan", "small_read_ms is from"),
            ("copy_mb_per_s = -60.0", "copy_mb_per_s is from"),
            ("copy_mb = 60.0", "copy_mb"),
        ] {
            let error = with(bad).unwrap_err();
            assert!(error.contains(told), "{bad}: {error}");
        }
    }
}
