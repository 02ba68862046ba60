//! For whom the report speaks: the table `[report]`.

use serde::{Deserialize, Serialize};

use crate::units::Bytes;

/// What a report assumes of the people who use the share; each may be left out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Audience {
    /// How much somebody copies from the share who asks how long that takes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub copy: Option<Bytes>,
    /// Small reads that one person at work needs in a second.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub person_reads_per_s: Option<f64>,
}

impl Audience {
    /// How much is copied where nobody says so.
    pub const COPY: Bytes = Bytes(100_000_000_000);
    /// Small reads that one person needs in a second where nobody says so: assumed, no source.
    pub const PERSON: f64 = 10.0;

    /// How much is copied, and whether somebody said so.
    pub fn copied(&self) -> (Bytes, bool) {
        (self.copy.unwrap_or(Self::COPY), self.copy.is_some())
    }

    /// What one person needs, and whether somebody said so.
    pub fn person(&self) -> (f64, bool) {
        let stated = self.person_reads_per_s;
        (stated.unwrap_or(Self::PERSON), stated.is_some())
    }

    /// Whether every value is in its range.
    ///
    /// # Errors
    /// A sentence on what is wrong.
    pub fn validate(&self) -> Result<(), String> {
        let (least, most) = (1_000_000, 1_000_000_000_000_000);
        if self
            .copy
            .is_some_and(|copy| !(least..=most).contains(&copy.0))
        {
            return Err("copy is from 1 MB to 1 PB".to_owned());
        }
        if self
            .person_reads_per_s
            .is_some_and(|reads| !(0.001..=1_000_000.0).contains(&reads))
        {
            return Err("person_reads_per_s is from 0.001 to 1000000".to_owned());
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seed::Seed;
    use crate::study::{Config, Identity};

    #[test]
    fn what_is_said_is_read_written_and_held_to_its_range() {
        let created = "2026-03-02T08:00:00Z".parse().unwrap();
        let bare = Config::new(Identity(1), Seed(1), created, "/mnt/scans".into());
        let with = |lines: &str| Config::parse(&format!("{}\n[report]\n{lines}\n", bare.render()));
        let config = with("copy = \"180 GB\"\nperson_reads_per_s = 4.0").unwrap();
        let audience = config.report.unwrap();
        assert_eq!(audience.copied(), (Bytes(180_000_000_000), true));
        assert_eq!(audience.person(), (4.0, true));
        assert_eq!(Config::parse(&config.render()), Ok(config));
        assert_eq!(Audience::default().copied(), (Audience::COPY, false));
        for (bad, told) in [
            ("copy = \"1 kB\"", "copy is from"),
            ("person_reads_per_s = nan", "person_reads_per_s is from"),
            ("people = 3", "people"),
        ] {
            let error = with(bad).unwrap_err().to_string();
            assert!(error.contains(told), "{bad}: {error}");
        }
    }
}
