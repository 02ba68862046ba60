//! What reading test data and sealed files back has shown, as text for a terminal; the sentences are
//! those of the page.

use super::layout::{clamp, heading, list};
use crate::integrity::{self, ReadBack, Sealing, latest_pass, read_back, sample_sentence, sealing};
use crate::plan::{Phase, Set};
use crate::study::{DamageRow, SealedCheckRow, SealedState, Study};
use crate::text::short;
use crate::units::{Bytes, Rate, grouped};

/// Damage that is told one by one, at most.
const TOLD: usize = 20;

/// What the latest pass of `verify` has shown, at most `width` characters wide (held between 60 and
/// 110). One sentence when there was none.
pub fn verified_text(study: &Study, width: usize) -> String {
    let width = clamp(width);
    let Some(pass) = latest_pass(study) else {
        return "Nothing has been read back yet.\n".to_owned();
    };
    let (number, phase) = (pass.number, pass.phase);
    let mut text = heading(&short(
        &format!("Pass {number} over {}, {phase} the expansion", study.name),
        width,
    ));
    let backs = read_back(study, number);
    let sentences: Vec<String> = backs.iter().flat_map(back_sentences).collect();
    text += &list(width, "Test data", &sentences);
    text += &list(width, "How it was read", &ways(study, &backs));
    let damage = study.damage.iter().filter(|row| row.pass == number);
    text += &list(width, "Damage", &told(damage.map(damage_sentence)));
    let seals = sealing(study, number);
    let sentences: Vec<String> = seals.iter().flat_map(seal_sentences).collect();
    text += &list(width, "Sealed files", &sentences);
    let checks = study.sealed_checks.iter();
    let worth_telling = |row: &&SealedCheckRow| {
        row.pass == number && !matches!(row.state, SealedState::Unchanged | SealedState::Changed)
    };
    text + &list(
        width,
        "Found",
        &told(checks.filter(worth_telling).map(check_sentence)),
    )
}

/// The first of `sentences`, and how many more there are.
fn told(sentences: impl Iterator<Item = String>) -> Vec<String> {
    let mut all: Vec<String> = sentences.collect();
    let more = all.len().saturating_sub(TOLD);
    all.truncate(TOLD);
    if more > 0 {
        all.push(format!(
            "and {} more rows of the tables",
            grouped(more as u64)
        ));
    }
    all
}

/// What was read back of the data that was laid down in one phase.
pub(super) fn back_sentences(back: &ReadBack) -> Vec<String> {
    let when = match (back.laid, back.read) {
        (Phase::Before, Phase::After) => "laid down before the expansion, read back after it",
        (Phase::Before, Phase::During) => "laid down before the expansion, read back while it runs",
        (Phase::Before, Phase::Before) => "laid down before the expansion, read back before it",
        (Phase::During, Phase::After) => "laid down while it ran, read back after it",
        (Phase::During, _) => "laid down while it runs, read back while it runs",
        (Phase::After, _) => "laid down after the expansion, read back after it",
    };
    let size = back.bytes.iec();
    let (blocks, files) = (grouped(back.blocks), grouped(back.files));
    let counted = format!("{blocks} of 4 KiB in {files} files");
    let mut sentences = vec![match back.damaged() {
        0 => format!("{size} {when}, 0 blocks differ ({counted})."),
        damaged => {
            let kinds = [
                (back.differing, "hold something else"),
                (back.unreadable, "cannot be read"),
                (back.missing, "are not there"),
            ];
            let kinds = kinds.iter().filter(|(count, _)| *count > 0);
            let kinds: Vec<String> = kinds
                .map(|(count, what)| format!("{} {what}", grouped(*count)))
                .collect();
            format!(
                "{size} {when}: {} BLOCKS ARE DAMAGED ({counted}): {}.",
                grouped(damaged),
                kinds.join(", ")
            )
        }
    }];
    if back.unsettled > 0 {
        sentences.push(format!(
            "{} blocks hold the zeros that a trial which was cut off has left: no damage.",
            grouped(back.unsettled)
        ));
    }
    if !back.complete {
        sentences.push("Not all of it yet: run `verify` again, and it goes on.".to_owned());
    }
    sentences
}

/// How fast, whether past this client's cache, and what the server may have kept.
fn ways(study: &Study, backs: &[ReadBack]) -> Vec<String> {
    let bytes: Bytes = backs.iter().map(|back| back.bytes).sum();
    let seconds: f64 = backs.iter().map(|back| back.seconds).sum();
    let direct: Bytes = backs.iter().map(|back| back.direct).sum();
    if bytes.0 == 0 {
        return Vec::new();
    }
    let rate = Rate(bytes.0 as f64 / seconds.max(1e-9));
    let cache = match direct.0 {
        all if all == bytes.0 => {
            "with direct I/O, which was seen to pass this client's cache".to_owned()
        }
        0 => "not seen to pass this client's cache, which is emptied before each file where the system has a way".to_owned(),
        _ => format!("{} of it seen to pass this client's cache", direct.iec()),
    };
    let mut sentences = vec![format!("{rate} over all of the test data, {cache}.")];
    let all = study.data.bytes(Set::Read) + study.data.bytes(Set::Write);
    if let Some(memory) = study
        .config
        .server_memory
        .filter(|memory| memory.0 * 2 > all.0)
    {
        sentences.push(format!(
            "The server has {} of memory and may have answered a part from there, not from its drives: after a restart of the server nothing is left in it.",
            memory.iec()
        ));
    }
    sentences
}

fn damage_sentence(row: &DamageRow) -> String {
    let (name, offset, kind) = (short(&row.name, 40), row.offset_bytes, row.kind.word());
    let found = short(&row.found, 300);
    match row.blocks {
        1 => format!("{kind}: {name} at offset {offset}: {found}"),
        blocks => format!(
            "{kind}: {name} at offset {offset}, {} blocks: {found}",
            grouped(blocks)
        ),
    }
}

fn check_sentence(row: &SealedCheckRow) -> String {
    let (path, words) = (short(&row.path, 400), row.state.words());
    match short(&row.found, 300) {
        found if found.is_empty() => format!("{path}: {words}"),
        found => format!("{path}: {words}: {found}"),
    }
}

/// How the files of one seal were found, and what the sample proves.
pub(super) fn seal_sentences(sealing: &Sealing) -> Vec<String> {
    let all: u64 = sealing.files.values().sum();
    let states = SealedState::ALL
        .into_iter()
        .filter(|state| sealing.of(*state) > 0);
    let states: Vec<String> = states
        .map(|state| format!("{} {}", grouped(sealing.of(state)), state.words()))
        .collect();
    let mut sentences = vec![format!(
        "Seal {}, {} files: {}.",
        sealing.seal,
        grouped(all),
        states.join(", ")
    )];
    if let Some(proof) = sample_sentence(sealing.differing, sealing.blocks) {
        sentences.push(format!(
            "Blocks of 64 KiB, drawn from all that was sealed and nobody has changed since: {proof}."
        ));
    }
    if sealing.whole.0 > 0 {
        sentences.push(format!(
            "All content of {} files, {}, was compared.",
            grouped(sealing.whole.0),
            sealing.whole.1.iec()
        ));
    }
    sentences
}

/// What seal number `seal` remembers, and what was passed over, a sentence each in `passed_over`.
pub fn seal_text(study: &Study, seal: u64, passed_over: &[String], width: usize) -> String {
    let rows = || study.seals.iter().filter(|row| row.seal == seal);
    let files: std::collections::BTreeMap<u64, u64> =
        rows().map(|row| (row.file, row.size_bytes)).collect();
    let size: Bytes = files.values().map(|size| Bytes(*size)).sum();
    let whole = rows().filter(|row| row.hashes.starts_with("all:")).count();
    let blocks: usize = rows()
        .filter(|row| !row.hashes.is_empty() && !row.hashes.starts_with("all:"))
        .map(|row| row.hashes.split(';').count())
        .sum();
    let of_files = grouped(files.len() as u64);
    let mut sentences = vec![format!(
        "{of_files} files, {}: size, time and keyed hashes are in seals.csv, nothing of the content.",
        size.iec()
    )];
    if whole > 0 {
        sentences.push("All of the content went into the hashes.".to_owned());
    } else if let Some(bound) = integrity::sample_sentence(0, blocks as u64) {
        sentences.push(format!(
            "{} blocks of 64 KiB were drawn from all of it. If `verify` finds them as they are, that says: {bound}.",
            grouped(blocks as u64)
        ));
    }
    sentences.extend_from_slice(passed_over);
    let width = clamp(width);
    heading(&format!("Seal {seal}")) + &list(width, "Sealed", &sentences)
}
