//! From evidence to a grade.
//!
//! Signs look either at the client alone or at the whole path down to the drives. Signs on one layer
//! are weighed by strength: the strongest that say how much the layer served decide; where equally
//! strong ones differ, the one that says more; a weaker one only where it says more for certain than
//! the strongest allows. Then the path is told at least what the client is told. A bound from below
//! lifts an estimate, and voids one that does not allow it. What could not be observed takes no part:
//! where nothing looked past the client, all that is known is a bound. Then the first row that fits:
//!
//! | what the evidence says | grade |
//! | --- | --- |
//! | at least half cannot have come from the drives, or is estimated to have been cached | X |
//! | the record contradicts itself | X |
//! | more than 4 % is estimated to have been cached, or cannot have come from the drives | C |
//! | a suspicion that no count of bytes clears | C |
//! | counts of bytes at the drives clear the whole path | A |
//! | otherwise | B |

use super::evidence::{Evidence, Layer, Says, Share, Strength};
use crate::units::percent;

/// How far a number may be trusted to be the drives'.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Grade {
    /// Verified by counts of bytes on the way from the drives.
    A,
    /// No sign of trouble.
    B,
    /// Suspect.
    C,
    /// Rejected.
    X,
}

impl Grade {
    /// The letter.
    pub fn letter(self) -> &'static str {
        match self {
            Self::A => "A",
            Self::B => "B",
            Self::C => "C",
            Self::X => "X",
        }
    }

    /// What it means, in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::A => "verified: counted all the way from the drives",
            Self::B => "no sign of trouble",
            Self::C => "suspect",
            Self::X => "rejected: not the drives' speed",
        }
    }

    /// Whether a comparison may build on it.
    pub fn holds(self) -> bool {
        self <= Self::B
    }
}

/// What is known of the part of a trial's bytes, 0 to 1, that the drives did not move.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cached {
    /// Best guess; `None` where there are only bounds.
    pub estimate: Option<f64>,
    /// Not less than this.
    pub low: f64,
    /// Not more than this.
    pub high: f64,
}

impl Cached {
    /// The estimate, or without one the least that is certain.
    pub fn figure(&self) -> f64 {
        self.estimate.unwrap_or(self.low)
    }

    /// In words: `about 12 %`, `at least 71 %`.
    pub fn words(&self) -> String {
        let how = match self.estimate {
            Some(_) => "about",
            None => "at least",
        };
        format!("{how} {}", percent(self.figure(), 0))
    }
}

/// A grade with its reason.
#[derive(Clone, Debug, PartialEq)]
pub struct Ruling {
    /// The grade.
    pub grade: Grade,
    /// The part of the bytes that the drives did not move, where anything tells.
    pub cached: Option<Cached>,
    /// Why this grade, in a sentence.
    pub reason: String,
}

/// A cached part up to this is none: counts have edges. It leaves room below the 5 % that no trial
/// may hide, since an estimate may be off by a little.
pub const NEGLIGIBLE: f64 = 0.04;
/// A count verifies only where others cannot have hidden more than 5 %, and its own edges of 3 %.
const VERIFIED: f64 = 0.08;
/// From this on nothing is left of the number.
const HALF: f64 = 0.5;
/// Bounds as near as this make an estimate of their middle.
const NEAR: f64 = 0.1;

/// Rules on all evidence of a trial.
pub fn rule(evidence: &[Evidence]) -> Ruling {
    let (client, path) = (weigh(evidence, Layer::Client), weigh(evidence, Layer::Path));
    let cached = together(&client, &path);
    let broken = evidence.iter().find(|sign| sign.says == Says::Broken);
    let suspicion = evidence.iter().find(|sign| match sign.says {
        Says::Suspect(Layer::Client) => !client.cleared && !path.cleared,
        Says::Suspect(Layer::Path) => !path.cleared,
        _ => false,
    });
    // What is known of the client alone is the least of the whole.
    let share = cached.figure().max(client.figure());
    let served = || format!("served from a cache ({})", cached.words());
    let (grade, reason) = match (broken, suspicion) {
        _ if share >= HALF => (Grade::X, served()),
        (Some(sign), _) => (Grade::X, sign.meaning.clone()),
        _ if share > NEGLIGIBLE => (Grade::C, served()),
        (_, Some(sign)) => (Grade::C, sign.meaning.clone()),
        _ if path.cleared => (
            Grade::A,
            "bytes were counted all the way from the drives".to_owned(),
        ),
        _ => (Grade::B, "nothing speaks against it".to_owned()),
    };
    let told = cached.estimate.is_some() || cached.low > 0.0;
    Ruling {
        grade,
        cached: told.then_some(cached),
        reason,
    }
}

/// What is known of both layers comes to this for the whole.
fn together(client: &Weighed, path: &Weighed) -> Cached {
    let nearer = client.share.map_or(0.0, |share| share.low);
    let least = client.least.max(path.least).max(nearer);
    match path.share.filter(|share| share.high >= least) {
        Some(share) => {
            let estimate = share.estimate.max(least).max(client.figure());
            Cached {
                estimate: Some(estimate),
                low: share.low.max(least),
                high: share.high.max(estimate),
            }
        }
        None => Cached {
            estimate: (1.0 - least <= NEAR).then_some(f64::midpoint(least, 1.0)),
            low: least,
            high: 1.0,
        },
    }
}

/// What all signs on a layer come to.
struct Weighed {
    share: Option<Share>,
    /// Certain, whatever the share.
    least: f64,
    /// A count of bytes says that it served nothing to speak of.
    cleared: bool,
}

impl Weighed {
    fn figure(&self) -> f64 {
        self.share
            .map_or(0.0, |share| share.estimate)
            .max(self.least)
    }
}

fn weigh(evidence: &[Evidence], layer: Layer) -> Weighed {
    let shares = || {
        evidence.iter().filter_map(|sign| match sign.says {
            Says::Served(of, share) if of == layer => Some((sign.strength, share)),
            _ => None,
        })
    };
    let strongest =
        shares().max_by(|a, b| a.0.cmp(&b.0).then(a.1.estimate.total_cmp(&b.1.estimate)));
    let least = evidence
        .iter()
        .filter_map(|sign| match sign.says {
            Says::AtLeast(of, least) if of == layer => Some(least),
            _ => None,
        })
        .fold(0.0, f64::max);
    // A weaker sign decides only where it contradicts the strongest by saying more for certain:
    // others can hide a cache from a count, and nothing makes drives answer too fast.
    let contradiction = shares()
        .map(|(_, share)| share)
        .filter(|share| strongest.is_some_and(|(_, strong)| share.low > strong.high))
        .max_by(|a, b| a.low.total_cmp(&b.low));
    let share = contradiction.or(strongest.map(|(_, share)| share));
    let counted = strongest.is_some_and(|(strength, share)| {
        strength >= Strength::Counted && share.estimate <= NEGLIGIBLE && share.high <= VERIFIED
    });
    Weighed {
        share,
        least,
        cleared: counted && contradiction.is_none() && least <= NEGLIGIBLE,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sign(says: Says, strength: Strength) -> Evidence {
        let text = String::new;
        Evidence {
            source: "test",
            expected: text(),
            seen: text(),
            meaning: "why".into(),
            says,
            strength,
        }
    }

    fn served(layer: Layer, share: f64, strength: Strength) -> Evidence {
        sign(Says::Served(layer, Share::about(share, 0.03)), strength)
    }

    fn grade(evidence: &[Evidence]) -> Grade {
        rule(evidence).grade
    }

    #[test]
    fn each_row_of_the_table() {
        use Layer::{Client, Path};
        use Strength::{Counted, Inferred, Proved};
        let (client, path) = (served(Client, 0.0, Proved), served(Path, 0.01, Counted));
        assert_eq!(grade(&[]), Grade::B);
        assert_eq!(grade(&[client.clone(), path.clone()]), Grade::A);
        assert_eq!(grade(std::slice::from_ref(&client)), Grade::B);
        assert_eq!(
            grade(&[client.clone(), served(Path, 0.0, Inferred)]),
            Grade::B
        );
        assert_eq!(
            grade(&[client.clone(), served(Path, 0.2, Inferred)]),
            Grade::C
        );
        assert_eq!(
            grade(&[client.clone(), served(Path, 0.8, Proved)]),
            Grade::X
        );
        assert_eq!(grade(&[sign(Says::AtLeast(Client, 0.7), Proved)]), Grade::X);
        assert_eq!(
            grade(&[client.clone(), path.clone(), sign(Says::Broken, Counted)]),
            Grade::X
        );
        let suspect = sign(Says::Suspect(Client), Counted);
        assert_eq!(grade(std::slice::from_ref(&suspect)), Grade::C);
        assert_eq!(grade(&[suspect, client, path]), Grade::A);
    }

    #[test]
    fn stronger_signs_outweigh_weaker_ones() {
        use Layer::Path;
        use Strength::{Inferred, Proved};
        let outweighed = [served(Path, 0.0, Inferred), served(Path, 0.9, Proved)];
        assert_eq!(grade(&outweighed), Grade::X);
        let contradicted = [served(Path, 0.9, Inferred), served(Path, 0.0, Proved)];
        assert_eq!(grade(&contradicted), Grade::X);
    }

    #[test]
    fn what_the_client_served_is_the_least_of_the_whole() {
        use Layer::{Client, Path};
        use Strength::{Counted, Inferred, Proved};
        let cached = |evidence: &[Evidence]| rule(evidence).cached;
        // 6 % of the client's is suspect, however much more the server served.
        let near = rule(&[served(Client, 0.06, Proved)]);
        assert_eq!(near.grade, Grade::C);
        let bounds = near.cached.unwrap();
        assert_eq!((bounds.estimate, bounds.high), (None, 1.0));
        assert!((bounds.low - 0.03).abs() < 1e-12);
        assert_eq!(cached(&[served(Client, 0.0, Proved)]), None);
        let both = cached(&[served(Client, 0.5, Proved), served(Path, 0.6, Inferred)]);
        assert_eq!(both.unwrap().estimate, Some(0.6));
        let least = sign(Says::AtLeast(Path, 0.3), Counted);
        let lifted = cached(&[least.clone(), served(Path, 0.28, Inferred)]).unwrap();
        assert_eq!((lifted.estimate, lifted.low), (Some(0.3), 0.3));
        let voided = cached(&[least, served(Path, 0.0, Inferred)]).unwrap();
        assert_eq!((voided.estimate, voided.low), (None, 0.3));
        assert_eq!(voided.words(), "at least 30 %");
        let narrow = cached(&[sign(Says::AtLeast(Client, 0.96), Proved)]).unwrap();
        assert_eq!(narrow.estimate, Some(0.98));
    }
}
