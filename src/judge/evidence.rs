//! One sign for or against "these bytes came from the drives".

/// How far down the path a sign looks. What the client's memory served, the path served too, so the
/// second share is never the smaller one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Layer {
    /// Memory of the machine that measures.
    Client,
    /// All of the path before the drives: the client's memory, the server's, a faster tier; and what
    /// was compressed away.
    Path,
}

impl Layer {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Client => "this client's memory",
            Self::Path => "a cache before the drives",
        }
    }
}

/// A share of all bytes of a trial, read and written, 0 to 1, with the bounds that the evidence
/// allows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Share {
    /// Best guess.
    pub estimate: f64,
    /// Not less than this.
    pub low: f64,
    /// Not more than this.
    pub high: f64,
}

impl Share {
    /// A share with its bounds, each kept within 0 to 1.
    pub fn new(estimate: f64, low: f64, high: f64) -> Self {
        let [estimate, low, high] = [estimate, low, high].map(|share| share.clamp(0.0, 1.0));
        Self {
            estimate,
            low: low.min(estimate),
            high: high.max(estimate),
        }
    }

    /// The share of all bytes when this is one of a `part` of them, 0 to 1.
    pub fn times(self, part: f64) -> Self {
        Self::new(self.estimate * part, self.low * part, self.high * part)
    }

    /// Give or take `margin`.
    pub fn about(estimate: f64, margin: f64) -> Self {
        let estimate = estimate.clamp(0.0, 1.0);
        Self::new(estimate, estimate - margin, estimate + margin)
    }
}

/// What a sign says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Says {
    /// So much was served by the layer, not by what lies behind it; 0 clears it.
    Served(Layer, Share),
    /// At least so much was served by the layer; how much more is not known.
    AtLeast(Layer, f64),
    /// At most so much was served by the layer and all before it; that it was anything is not said.
    AtMost(Layer, f64),
    /// So much was served by the layer if an assumption holds that nobody has stated.
    Maybe(Layer, f64),
    /// The layer may have served; how much is not known.
    Suspect(Layer),
    /// The record contradicts itself.
    Broken,
    /// Nothing for or against; worth knowing.
    Remark,
}

/// How much weight a sign has against others on the same layer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Strength {
    /// An inference from times.
    Inferred,
    /// A count of bytes, with something mixed in.
    Counted,
    /// A count of bytes that leaves no room.
    Proved,
}

impl Strength {
    /// In a word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Inferred => "inferred",
            Self::Counted => "counted",
            Self::Proved => "proved",
        }
    }
}

/// One sign.
#[derive(Clone, Debug, PartialEq)]
pub struct Evidence {
    /// What was looked at, in a word or two.
    pub source: &'static str,
    /// What drives would have shown.
    pub expected: String,
    /// What was seen.
    pub seen: String,
    /// What that proves, in a sentence.
    pub meaning: String,
    /// What it says.
    pub says: Says,
    /// How strongly.
    pub strength: Strength,
}
