//! One made-up share for several that use it in turns: sittings, probes, a follower.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use jiff::Timestamp;

use super::share::SimulatedShare;
use crate::facts::Facts;
use crate::load::{Assignment, LoadError, Measured, Share, Watch};
use crate::plan::{DataFile, Space, TestData};

/// A handle to a made-up share. All handles share its clock and its state.
#[derive(Clone, Debug)]
pub struct JointShare(Arc<Mutex<SimulatedShare>>);

impl JointShare {
    /// The first handle to `share`.
    pub fn new(share: SimulatedShare) -> Self {
        Self(Arc::new(Mutex::new(share)))
    }

    /// The share itself, until the guard is dropped.
    pub fn share(&self) -> MutexGuard<'_, SimulatedShare> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Share for JointShare {
    fn now(&self) -> Timestamp {
        self.share().now()
    }

    fn facts(&mut self) -> Facts {
        self.share().facts()
    }

    fn space(&mut self) -> Result<Space, LoadError> {
        self.share().space()
    }

    fn open_folder(&mut self, data: &TestData) -> Result<(), LoadError> {
        self.share().open_folder(data)
    }

    fn lay_down(&mut self, file: &DataFile, watch: &Watch) -> Result<(), LoadError> {
        self.share().lay_down(file, watch)
    }

    fn discard(&mut self, file: &DataFile) -> Result<(), LoadError> {
        self.share().discard(file)
    }

    fn run(&mut self, assignment: &Assignment<'_>, watch: &Watch) -> Result<Measured, LoadError> {
        self.share().run(assignment, watch)
    }
}
