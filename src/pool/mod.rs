//! Placeholder until the room is merged.
use crate::units::Bytes;
use serde::{Deserialize, Serialize};
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Level {
    Raid6,
}
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pool {
    pub level: Level,
    pub drives: u32,
    pub drive_size: Option<Bytes>,
}
impl Pool {
    pub fn validate(&self) -> Result<(), std::fmt::Error> {
        Ok(())
    }
    pub fn grown(self, adding: u32) -> Self {
        Self {
            drives: self.drives + adding,
            ..self
        }
    }
}
