//! Which conditions are tried, so that every pair of their values occurs.

use crate::proof::Told;
use crate::share::Share;

/// How much the server can keep.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Memory {
    /// Less than what is read.
    Small,
    /// More than what is read.
    Large,
}

/// What the server's memory holds when a run begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum State {
    /// Nothing of it.
    Cold,
    /// What was just written.
    Fresh,
    /// A tenth of each file, read shortly before.
    Tenth,
    /// A third of each file.
    Third,
    /// As much as fits.
    All,
    /// What others have read, who go on reading.
    Others,
}

/// What is between the file system and the pool.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fast {
    /// Nothing.
    None,
    /// A fast drive that keeps what goes by.
    Drive,
}

/// One condition; each workload that is measured in it is a cell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Condition {
    pub(crate) share: Share,
    pub(crate) memory: Memory,
    pub(crate) told: Told,
    pub(crate) state: State,
    pub(crate) fast: Fast,
}

/// What is measured in each condition.
pub(crate) const WORKLOADS: [&str; 3] = ["large-read", "small-read", "small-read-deep"];

const MEMORIES: [Memory; 2] = [Memory::Small, Memory::Large];
const STATES: [State; 6] = [
    State::Cold,
    State::Fresh,
    State::Tenth,
    State::Third,
    State::All,
    State::Others,
];
const FASTS: [Fast; 2] = [Fast::None, Fast::Drive];

impl Condition {
    /// The cell's name for a workload.
    pub(crate) fn cell(&self, workload: &str) -> String {
        format!("{} {workload}", self.name())
    }

    /// The condition's name.
    pub(crate) fn name(&self) -> String {
        let memory = match self.memory {
            Memory::Small => "small",
            Memory::Large => "large",
        };
        let state = match self.state {
            State::Cold => "cold",
            State::Fresh => "fresh",
            State::Tenth => "tenth",
            State::Third => "third",
            State::All => "all",
            State::Others => "others",
        };
        let fast = match self.fast {
            Fast::None => "plain",
            Fast::Drive => "fast-drive",
        };
        format!(
            "cache {} {memory} {} {state} {fast}",
            self.share.word(),
            self.told.word()
        )
    }

    /// Values by their places in the lists, for looking at pairs.
    fn values(&self) -> [usize; 5] {
        let place = |found: Option<usize>| found.expect("the lists are complete");
        [
            place(Share::ALL.iter().position(|&value| value == self.share)),
            place(MEMORIES.iter().position(|&value| value == self.memory)),
            place(Told::ALL.iter().position(|&value| value == self.told)),
            place(STATES.iter().position(|&value| value == self.state)),
            place(FASTS.iter().position(|&value| value == self.fast)),
        ]
    }
}

/// All conditions there are, in the order of the lists.
pub(crate) fn all() -> Vec<Condition> {
    let mut all = Vec::new();
    for share in Share::ALL {
        for memory in MEMORIES {
            for told in Told::ALL {
                for state in STATES {
                    for fast in FASTS {
                        all.push(Condition {
                            share,
                            memory,
                            told,
                            state,
                            fast,
                        });
                    }
                }
            }
        }
    }
    all
}

/// The conditions that are run: each next one holds the most pairs of values that none before it held, until
/// every pair occurs. Few enough that a night is long enough, and the same in every run.
pub(crate) fn chosen() -> Vec<Condition> {
    let mut left: Vec<Condition> = all();
    let mut chosen = Vec::new();
    let mut seen = std::collections::BTreeSet::new();
    loop {
        let new =
            |condition: &Condition| pairs(condition).filter(|pair| !seen.contains(pair)).count();
        // The last of the best ones would do as well as the first.
        let Some((index, best)) = left
            .iter()
            .enumerate()
            .map(|(index, condition)| (index, new(condition)))
            .rev()
            .max_by_key(|&(_, pairs)| pairs)
        else {
            break;
        };
        if best == 0 {
            break;
        }
        let condition = left.remove(index);
        seen.extend(pairs(&condition));
        chosen.push(condition);
    }
    chosen
}

/// The pairs of values of a condition.
fn pairs(condition: &Condition) -> impl Iterator<Item = [usize; 4]> {
    let values = condition.values();
    (0..values.len())
        .flat_map(move |a| (a + 1..values.len()).map(move |b| [a, values[a], b, values[b]]))
}

#[test]
fn every_pair_of_values_occurs() {
    let chosen = chosen();
    let of = |conditions: &[Condition]| -> std::collections::BTreeSet<_> {
        conditions.iter().flat_map(pairs).collect()
    };
    assert_eq!(of(&chosen), of(&all()));
    // Each with the three workloads.
    assert!(chosen.len() * WORKLOADS.len() >= 48, "{}", chosen.len());
    for condition in &chosen {
        crate::tool::say(&condition.name());
    }
}
