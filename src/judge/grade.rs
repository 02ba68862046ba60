//! From evidence to a grade.
//!
//! Signs look either at the client alone or at the whole path down to the drives. Signs on one layer
//! are weighed by strength: the strongest that say how much the layer served decide; where equally
//! strong ones differ, the one that says more; a weaker one only where it says more for certain than
//! the strongest allows. Then the path is told at least what the client is told. A bound from below
//! lifts an estimate, and voids one that does not allow it.
//!
//! *s* is the most that caches can have served, at 95 %, seen or unseen: what no observation made would have shown
//! counts as possible. A count at the drives bounds it, and so do control reads; without either it is all. Then
//! the first row that fits:
//!
//! | what the evidence says | grade |
//! | --- | --- |
//! | at least half cannot have come from the drives, or is estimated to have been cached | X |
//! | the record contradicts itself | X |
//! | a cache was seen, and s is above 10 % | C |
//! | a suspicion that no count of bytes clears | C |
//! | counts of bytes at the drives, and s is at most 5 % | A |
//! | s is at most 10 % | B |
//! | otherwise: nothing that was looked at would have shown a cache | U |

use super::evidence::{Evidence, Layer, Says, Share, Strength};
use crate::units::percent;

/// How far a number may be trusted to be the drives'.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Grade {
    /// Verified by counts of bytes on the way from the drives.
    A,
    /// What was looked at would have shown a cache.
    B,
    /// No cache was seen, and nothing that was looked at would have shown one.
    U,
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
            Self::U => "U",
            Self::C => "C",
            Self::X => "X",
        }
    }

    /// What it means, in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::A => "verified: counted all the way from the drives",
            Self::B => "no cache: what was looked at would have shown one",
            Self::U => "not looked at: a cache may have served, and nothing would have shown it",
            Self::C => "suspect",
            Self::X => "rejected: not the drives' speed",
        }
    }

    /// Whether the number is no speed of the drives.
    pub fn is_void(self) -> bool {
        self >= Self::C
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
    /// The most that caches can have served at 95 %, 0 to 1, seen or unseen; 1 where nothing bounds it.
    pub most: f64,
    /// What bounds it: the source of that evidence.
    pub bounded_by: Option<&'static str>,
    /// Why this grade, in a sentence.
    pub reason: String,
}

/// A cached part up to this is none to speak of: counts have edges.
pub const NEGLIGIBLE: f64 = 0.04;
/// A cache that is certain to have served less than this was not seen: trials have edges.
const EDGE: f64 = 0.02;
/// A count verifies up to this.
const VERIFIED: f64 = 0.05;
/// A number holds up to this.
const HOLDS: f64 = 0.10;
/// From this on nothing is left of the number.
const HALF: f64 = 0.5;
/// Bounds as near as this make an estimate of their middle.
const NEAR: f64 = 0.1;

/// Rules on all evidence of a trial.
pub fn rule(evidence: &[Evidence]) -> Ruling {
    let (client, path) = (weigh(evidence, Layer::Client), weigh(evidence, Layer::Path));
    let cached = together(&client, &path);
    let bound = bound(evidence, &path, &cached);
    let holds = bound.most <= HOLDS;
    let broken = evidence.iter().find(|sign| sign.says == Says::Broken);
    let cleared = path.counted && holds;
    let suspicion = evidence.iter().find(|sign| match sign.says {
        Says::Suspect(Layer::Client) => !client.cleared() && !cleared,
        Says::Suspect(Layer::Path) => !cleared,
        _ => false,
    });
    // What is known of the client alone is the least of the whole.
    let share = cached.figure().max(client.figure());
    let seen = cached.low.max(client.low()) > EDGE;
    let served = || format!("served from a cache ({})", cached.words());
    let at_most = || percent(bound.most, 0);
    let (grade, reason) = match (broken, suspicion) {
        _ if share >= HALF => (Grade::X, served()),
        (Some(sign), _) => (Grade::X, sign.meaning.clone()),
        _ if seen && !holds => (Grade::C, served()),
        (_, Some(sign)) => (Grade::C, sign.meaning.clone()),
        _ if path.counted && bound.most <= VERIFIED => (
            Grade::A,
            format!(
                "bytes were counted all the way from the drives: at most {} from caches",
                at_most()
            ),
        ),
        _ if holds => (
            Grade::B,
            format!(
                "at most {} from caches, by {}",
                at_most(),
                bound.by.unwrap_or("what was seen")
            ),
        ),
        _ => (
            Grade::U,
            match bound.by {
                Some(by) => format!(
                    "up to {} may have come from caches: {by} could not show less",
                    at_most()
                ),
                None => "nothing was looked at that would have shown a cache".to_owned(),
            },
        ),
    };
    let told = cached.estimate.is_some() || cached.low > 0.0;
    Ruling {
        grade,
        cached: told.then_some(cached),
        most: bound.most,
        bounded_by: bound.by,
        reason,
    }
}

/// The most that caches can have served.
struct Bound {
    most: f64,
    by: Option<&'static str>,
}

/// A count at the drives bounds what caches served where it tells how much; else whatever gives the lowest
/// bound does. Nothing is bounded below what is known to have been served.
fn bound(evidence: &[Evidence], path: &Weighed, cached: &Cached) -> Bound {
    let counted = path.decisive.filter(|_| path.counted);
    let inferred = evidence.iter().filter_map(|sign| match sign.says {
        Says::AtMost(Layer::Path, most) => Some((sign.source, most)),
        _ => None,
    });
    let lowest = match counted {
        Some((source, _, share)) => Some((source, share.high)),
        None => inferred.min_by(|a, b| a.1.total_cmp(&b.1)),
    };
    let doubt = evidence.iter().filter_map(|sign| match sign.says {
        Says::Maybe(Layer::Path, share) => Some((sign.source, share)),
        _ => None,
    });
    let doubt = doubt.max_by(|a, b| a.1.total_cmp(&b.1));
    // A count needs no assumption.
    let lowest = match (lowest, doubt.filter(|_| counted.is_none())) {
        (Some((_, most)), Some((source, share))) if share > most => Some((source, share)),
        _ => lowest,
    };
    let known = cached.figure();
    match lowest {
        Some((source, most)) if most >= known => Bound {
            most,
            by: Some(source),
        },
        _ => Bound {
            most: 1.0,
            by: None,
        },
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
    /// The sign that the share is of, unless a weaker one contradicts it.
    decisive: Option<(&'static str, Strength, Share)>,
    /// A count of bytes says how much it served, and nothing contradicts that.
    counted: bool,
}

impl Weighed {
    fn figure(&self) -> f64 {
        self.share
            .map_or(0.0, |share| share.estimate)
            .max(self.least)
    }

    fn low(&self) -> f64 {
        self.share.map_or(0.0, |share| share.low).max(self.least)
    }

    /// A count of bytes says that it served nothing to speak of.
    fn cleared(&self) -> bool {
        self.counted && self.share.is_some_and(|share| share.high <= HOLDS)
    }
}

fn weigh(evidence: &[Evidence], layer: Layer) -> Weighed {
    let shares = || {
        evidence.iter().filter_map(|sign| match sign.says {
            Says::Served(of, share) if of == layer => Some((sign.source, sign.strength, share)),
            _ => None,
        })
    };
    let strongest =
        shares().max_by(|a, b| a.1.cmp(&b.1).then(a.2.estimate.total_cmp(&b.2.estimate)));
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
        .map(|(.., share)| share)
        .filter(|share| strongest.is_some_and(|(.., strong)| share.low > strong.high))
        .max_by(|a, b| a.low.total_cmp(&b.low));
    let share = contradiction.or(strongest.map(|(.., share)| share));
    let decisive = strongest.filter(|(.., share)| contradiction.is_none() && least <= share.high);
    Weighed {
        share,
        least,
        decisive,
        counted: decisive.is_some_and(|(_, strength, _)| strength >= Strength::Counted),
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
        let at_most = |most| sign(Says::AtMost(Path, most), Inferred);
        assert_eq!(grade(&[]), Grade::U);
        assert_eq!(grade(&[client.clone(), path.clone()]), Grade::A);
        assert_eq!(grade(std::slice::from_ref(&client)), Grade::U);
        // What times alone say of the drives bounds nothing: a cache may be as slow.
        assert_eq!(
            grade(&[client.clone(), served(Path, 0.0, Inferred)]),
            Grade::U
        );
        assert_eq!(grade(&[client.clone(), at_most(0.099)]), Grade::B);
        assert_eq!(grade(&[client.clone(), at_most(0.11)]), Grade::U);
        assert_eq!(
            grade(&[at_most(0.11), served(Path, 0.03, Counted)]),
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
    fn what_is_certain_lifts_the_bound_or_takes_it_away() {
        use Layer::Path;
        use Strength::{Counted, Inferred};
        let least = sign(Says::AtLeast(Path, 0.2), Inferred);
        let ruling = rule(&[sign(Says::AtMost(Path, 0.05), Inferred), least.clone()]);
        assert_eq!((ruling.grade, ruling.bounded_by), (Grade::C, None));
        // Others can hide a cache from a count.
        let ruling = rule(&[served(Path, 0.0, Counted), least]);
        assert_eq!((ruling.grade, ruling.most), (Grade::C, 1.0));
        // A count of 6 %, 9 % at most: a cache was seen, and the number holds.
        let ruling = rule(&[served(Path, 0.06, Counted)]);
        assert_eq!(ruling.grade, Grade::B);
        assert!((ruling.most - 0.09).abs() < 1e-12);
        assert_eq!(ruling.bounded_by, Some("test"));
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
