//! What test data and sealed files must hold, and what reading them back proves.
//!
//! Pure: which block has to be where follows from the study's tables, what was found from bytes.
//! Reading them is for `load` (the test data) and `own` (the person's files).

mod expected;
mod finding;
mod path;
mod proof;
mod seal;
mod summary;

pub use expected::{Expected, Judged};
pub use finding::Finding;
pub use path::{escaped, unescaped};
pub use proof::{sample_sentence, upper_bound};
pub use seal::{Hashes, SEAL_BLOCK, SealKey, Sealed, WholeHash, draw};
pub use summary::{
    Pass, Reached, ReadBack, Sealing, data_pass, latest_pass, open_pass, read_back, sealed_pass,
    sealing,
};
