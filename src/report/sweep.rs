//! A sweep as text: where memory ends, and how fast each level of it is.

use crate::judge::{cache_size, levels};
use crate::study::Study;
use crate::units::{Bytes, Rate};

/// The latest sweep of a study and the levels found in it.
pub fn sweep_text(study: &Study) -> String {
    let rows = study.latest_sweep();
    let mark = if study.config.simulated {
        "SIMULATED "
    } else {
        ""
    };
    let Some(first) = rows.first() else {
        return format!("{mark}where memory ends was not measured\n");
    };
    let mut text = format!(
        "{mark}Where memory ends: sweep {}, rereading growing working sets\n",
        first.sweep
    );
    for row in rows {
        let (set, rate) = (
            Bytes(row.working_set_bytes).iec(),
            Rate(row.rate_bytes_per_s),
        );
        let cold = if row.warm {
            ""
        } else {
            "  not all of it was read before"
        };
        text += &format!("  {set:>9} {rate:>12}{cold}\n");
    }
    let found = levels(rows);
    for level in &found {
        text += &match level.below {
            Some(below) => format!(
                "level: {} up to {}, ending before {}\n",
                level.rate,
                level.up_to.iec(),
                below.iec()
            ),
            None => format!(
                "level: {} up to the whole of {}\n",
                level.rate,
                level.up_to.iec()
            ),
        };
    }
    text += &match cache_size(&found) {
        Some(size) => format!("{mark}memory ends below {}\n", size.iec()),
        None => format!("{mark}no memory shows up to the size of the test data\n"),
    };
    text
}
