//! A study of the client: made, measured, read.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::time::Duration;

use crate::lab::Lab;
use crate::machine::Output;
use crate::pool::{Layout, member};
use crate::share::MOUNT;

/// What the person states of the server.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Told {
    /// Its memory, and how to count at its drives.
    Counters,
    /// Its memory.
    Memory,
    /// Nothing.
    Nothing,
}

impl Told {
    /// Every way, as cells name it.
    pub(crate) const ALL: [Self; 3] = [Self::Counters, Self::Memory, Self::Nothing];

    /// The word of cells.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::Counters => "counters",
            Self::Memory => "memory",
            Self::Nothing => "nothing",
        }
    }
}

/// A study on the client.
pub(crate) struct Study<'a> {
    pub(crate) lab: &'a Lab,
    pub(crate) name: &'static str,
}

/// Rows of a table by the names of its columns.
pub(crate) type Rows = Vec<BTreeMap<String, String>>;

impl<'a> Study<'a> {
    /// Makes a study of the mounted share, and lets it ask the server.
    pub(crate) fn new(
        lab: &'a Lab,
        layout: Layout,
        drives: usize,
        drive_bytes: u64,
        told: Told,
        memory: u32,
    ) -> Result<Self, String> {
        let study = Self { lab, name: "scans" };
        let (level, adding) = (layout.level(), layout.adds());
        let mut new = format!(
            "new scans --share {MOUNT} --pool {level} --drives {drives} --adding {adding} --drive-size {drive_bytes}B"
        );
        if told != Told::Nothing {
            write!(new, " --server-memory {memory}MiB").unwrap();
        }
        study.must(&new)?;
        let mut more = format!(
            "\n[reshape]\nsource = \"{}\"\ncommand = \"ssh server '{}'\"\n",
            layout.source(),
            layout.progress()
        );
        if told == Told::Counters {
            let members: Vec<String> = (0..drives)
                .map(|place| format!("\"{}\"", member(place)))
                .collect();
            write!(
                more,
                "[server]\ndiskstats_command = \"ssh server cat /proc/diskstats\"\nmembers = [{}]\n",
                members.join(", ")
            )
            .unwrap();
        }
        lab.client.run(&format!(
            "cat >>/root/scans/study.toml <<'END'\n{more}END\n"
        ))?;
        study.must("allow scans --yes")?;
        Ok(study)
    }

    /// Runs poolproof, whatever its exit code.
    pub(crate) fn run(&self, arguments: &str) -> Result<Output, String> {
        self.lab.poolproof(arguments, Duration::from_secs(1800))
    }

    /// Runs poolproof and returns what it prints; an error when it does not end with 0.
    pub(crate) fn must(&self, arguments: &str) -> Result<String, String> {
        let output = self.run(arguments)?;
        match output.code {
            0 => Ok(output.out),
            code => Err(format!(
                "`poolproof {arguments}` ended with {code}: {}{}",
                output.out, output.err
            )),
        }
    }

    /// A table of the study.
    pub(crate) fn table(&self, file: &str) -> Result<Rows, String> {
        rows(
            &self
                .lab
                .client
                .run(&format!("cat /root/{}/{file}", self.name))?,
        )
    }
}

/// Reads CSV with a header row.
pub(crate) fn rows(text: &str) -> Result<Rows, String> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let names = reader.headers().map_err(|error| error.to_string())?.clone();
    reader
        .records()
        .map(|record| {
            let record = record.map_err(|error| error.to_string())?;
            Ok(names
                .iter()
                .map(str::to_owned)
                .zip(record.iter().map(str::to_owned))
                .collect())
        })
        .collect()
}

/// The grade of each trial, by its number, as `measure` prints them.
pub(crate) fn grades(printed: &str) -> BTreeMap<String, String> {
    printed
        .lines()
        .filter_map(|line| {
            let words: Vec<&str> = line.split_whitespace().collect();
            match words.as_slice() {
                [trial, _workload, grade, ..]
                    if trial.parse::<u32>().is_ok() && grade.len() == 1 =>
                {
                    Some(((*trial).to_owned(), (*grade).to_owned()))
                }
                _ => None,
            }
        })
        .collect()
}
