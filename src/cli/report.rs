//! `poolproof report`: the one page to send, and the same for paper, tickets and other documents.
#![expect(
    clippy::disallowed_methods,
    reason = "commands are an edge: they read the time"
)]

use std::path::{Path, PathBuf};

use jiff::Timestamp;

use super::{Exit, Failure, print, say, width};
use crate::chart::Painter;
use crate::compare::{Account, Comparison, Rules, compare};
use crate::judge::judge_all;
use crate::probe::{self, Printed};
use crate::report::{self, Judgements};
use crate::store::{self, names};
use crate::study::{RawFile, Study};
use crate::text::path;

/// Writes STUDY/reports/report.html, one page that needs nothing beside it, and its charts as files.
///
/// The study is only read: a page can be had while a sitting runs, and of a study that cannot be
/// written to. How much is copied, and how many reads a person needs, is set under [report] in study.toml.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  poolproof report scans\n  poolproof report scans --pdf --markdown\n  poolproof report /archive/scans --to /tmp/page"
)]
pub(super) struct Arguments {
    #[command(flatten)]
    folder: super::StudyFolder,
    /// Folder to write into, made when it is missing [default: reports in the study].
    #[arg(long, value_name = "DIR")]
    to: Option<PathBuf>,
    #[command(flatten)]
    also: Also,
}

/// What else is written.
#[derive(Clone, Copy, Debug, Default, clap::Args)]
pub(super) struct Also {
    /// Write report.pdf, too, printed by a Chromium of this machine.
    #[arg(long)]
    pdf: bool,
    /// Write each chart as PNG, too.
    #[arg(long)]
    png: bool,
    /// Write report.md, too: the verdict and the tables, for a ticket.
    #[arg(long)]
    markdown: bool,
}

pub(super) fn run(arguments: &Arguments) -> Result<Exit, Failure> {
    let root = &arguments.folder.study;
    let mut study = store::read(root)?;
    study.remarks.iter().for_each(|remark| say(remark));
    let own = root.join(names::REPORTS);
    // In somebody else's study it might be a link to a folder of the person's.
    if arguments.to.is_none() && own.is_symlink() {
        let message = format!("{} is a link: name a folder with --to DIR", path(&own));
        return Err(Failure::new(Exit::Study, message));
    }
    let folder = arguments.to.clone().unwrap_or(own);
    let judgements = judge_all(&study);
    // Of windows only those are needed yet that are drawn.
    study.windows.keep(&report::shown(&study));
    let (raw, now) = (store::raw_files(root)?, Timestamp::now());
    let report = Report::of(&study, judgements, raw, now);
    print(&report.ten(width()))?;
    print(&format!("\n{}", report.write(&folder, arguments.also)?))?;
    Ok(Exit::Done)
}

/// A study with all that its report needs.
pub(super) struct Report<'a> {
    study: &'a Study,
    raw: Vec<RawFile>,
    judgements: Judgements,
    comparison: Comparison,
    account: Account,
    now: Timestamp,
}

impl<'a> Report<'a> {
    /// The report of `study`, whose trials were judged, read from the files `raw`, at the moment `now`.
    pub(super) fn of(
        study: &'a Study,
        judgements: Judgements,
        raw: Vec<RawFile>,
        now: Timestamp,
    ) -> Self {
        let comparison = compare(study, &judgements, Rules::of(study));
        let account = Account::of(study, &comparison, &judgements, super::clock(study));
        Self {
            study,
            raw,
            judgements,
            comparison,
            account,
            now,
        }
    }

    /// What changed, what it cost and what it gave, for a terminal.
    pub(super) fn compared(&self, width: usize) -> String {
        let text = report::comparison_text(&self.comparison, &self.judgements, width);
        text + &report::account_text(&self.account, width)
    }

    /// The ten lines for a terminal.
    fn ten(&self, width: usize) -> String {
        let (study, comparison) = (self.study, &self.comparison);
        report::ten_lines(
            study,
            comparison,
            &self.judgements,
            &self.account,
            self.now,
            width,
        )
    }

    /// Renders the page and its charts into `folder`, and what else is wanted; where they are.
    pub(super) fn write(&self, folder: &Path, also: Also) -> Result<String, Failure> {
        let (study, comparison) = (self.study, &self.comparison);
        let (judgements, account) = (&self.judgements, &self.account);
        let rendered = report::files(study, comparison, judgements, account, self.now, &self.raw);
        let mut files: Vec<(String, Vec<u8>)> = Vec::new();
        if also.png {
            let painter = Painter::default();
            for (name, svg) in &rendered {
                if let Some(stem) = name.strip_suffix(".svg") {
                    let png = painter.png(svg);
                    let png = png.map_err(|why| Failure::new(Exit::Failed, why))?;
                    files.push((format!("{stem}.png"), png));
                }
            }
        }
        if also.markdown {
            let text = report::markdown(study, comparison, judgements, account, self.now);
            files.push(("report.md".to_owned(), text.into_bytes()));
        }
        let page = rendered.first().map_or("", |(name, _)| name).to_owned();
        let charts = rendered.len().max(1) - 1;
        let texts = rendered
            .into_iter()
            .map(|(name, text)| (name, text.into_bytes()));
        files.extend(texts);
        store::publish(folder, &files)?;
        let shown = path(folder);
        let pictures = if also.png {
            "charts, each as SVG and PNG,"
        } else {
            "charts"
        };
        let mut told = format!("{shown}/{page} and {charts} {pictures} in {shown}/charts\n");
        if also.markdown {
            told += &format!("{shown}/report.md\n");
        }
        if also.pdf {
            print_page(folder, &page)?;
            told += &format!("{shown}/report.pdf\n");
        }
        Ok(told)
    }
}

/// Prints the page in `folder` beside it.
fn print_page(folder: &Path, page: &str) -> Result<(), Failure> {
    let printed = probe::pdf(&folder.join(page)).map_err(|why| Failure::new(Exit::Failed, why))?;
    match printed {
        Printed::Document(bytes) => {
            Ok(store::publish(folder, &[("report.pdf".to_owned(), bytes)])?)
        }
        Printed::NoBrowser => {
            let page = path(&folder.join(page));
            let message = format!(
                "no PDF was made, because no Chromium is on this machine: install one (Debian: apt install chromium), or open {page} in any browser and print it"
            );
            Err(Failure::new(Exit::Failed, message))
        }
    }
}
