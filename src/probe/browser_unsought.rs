//! Prints no page: where browsers stand in no search path, none is looked for.

use std::path::Path;

use crate::text::path;

/// What came of printing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Printed {
    /// The document.
    Document(Vec<u8>),
    /// There is no browser that could.
    NoBrowser,
}

/// Prints nothing.
///
/// # Errors
/// Always.
pub fn pdf(page: &Path) -> Result<Printed, String> {
    Err(format!(
        "no PDF was made, because no browser is looked for on this system: open {} in any and print it",
        path(page)
    ))
}
