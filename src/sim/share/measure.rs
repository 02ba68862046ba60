//! One trial with all that is observed beside it.
//!
//! Caches get their known content; a quiet second and touching twice go before, where they are to
//! be seen; then the trial.

use super::SimulatedShare;
use crate::load::{Assignment, Job, Measured, Stream, Submission, Watch};
use crate::plan::{ControlReads, Operation, Pattern};
use crate::record::{Controls, Observations};
use crate::sim::counters::Counters;
use crate::sim::layout::Layout;
use crate::sim::member::Member;
use crate::sim::observe::{Quiet, Resident, Seen, observe};
use crate::sim::reshape::Reshape;
use crate::sim::touch::Touch;
use crate::sim::trial::{Outcome, Placement, Stage, Trial};
use crate::sim::wire::Wire;
use crate::units::Nanos;

impl SimulatedShare {
    pub(super) fn measure(&mut self, assignment: &Assignment<'_>, watch: &Watch) -> Measured {
        self.adopt(assignment.data);
        self.prewarm(assignment.trial);
        let (workload, visibility) = (assignment.workload, self.scenario.visibility);
        let observes = assignment.observe;
        let looked = observes && (visibility.wire || visibility.members);
        let quiet = looked.then(|| self.quiet_second(assignment.trial));
        let reads = (observes && visibility.twice && workload.reads()).then(|| {
            let (pattern, first) = (&assignment.pattern, assignment.first);
            ControlReads::of(workload, pattern, first, assignment.reach)
        });
        let mut controls = Controls::default();
        let mut first = assignment.first;
        if let Some(reads) = &reads {
            let twice = [&reads.places, &reads.places];
            let mut times = self.touch(assignment.trial, reads.bytes, twice.into_iter().flatten());
            controls.again = times.split_off(times.len() / 2);
            controls.first = times;
            first += reads.used;
        }
        let resident = |share: &Self| share.resident(&assignment.pattern);
        let before = (observes && visibility.residency).then(|| resident(self));
        let job = Job::new(
            workload,
            assignment.pattern.clone(),
            assignment.length,
            first,
            workload.streams as usize,
        )
        .until(assignment.until);
        // A probe of a watch: of the whole minute a number or two is kept, and a demo makes thousands.
        let job = match observes || workload.operations_per_second.is_none() {
            true => job,
            false => job.without_windows(),
        };
        let streams: Vec<Stream<'_>> = (0..workload.streams)
            .map(|_| job.stream(workload.depth))
            .collect();
        // Those that are not observed have no number of their own.
        let stage = match observes {
            true => self.stage("trial", assignment.trial),
            false => self.stage("unobserved", self.clock.0),
        };
        let wire = stage.wire;
        let outcome = Trial::new(stage, streams, job.block(), workload.depth, watch).run();
        self.go_on(&outcome);
        self.truth = outcome.truth;
        let seen = Seen {
            scenario: &self.scenario,
            elapsed: outcome.elapsed,
            truth: outcome.truth,
            tally: outcome.tally,
            members: outcome.members,
            others: wire.others_during(outcome.elapsed),
            quiet,
            controls: &controls,
            resident: before.map(|before| Resident {
                before,
                after: resident(self),
                of: self.bytes_of(&assignment.pattern),
            }),
        };
        let direct = self
            .scenario
            .client_cache
            .is_none_or(|cache| cache.says_direct);
        let observations = match observes {
            true => observe(&seen, self.scenario.seed.child("observe", assignment.trial)),
            false => Observations::default(),
        };
        let recordings = outcome.sources.into_iter().map(Stream::finish);
        let mut recording = job.merge(recordings, outcome.stopped);
        let next_first = job.next_first();
        if let Some(reads) = &reads {
            controls.later = self.touch(assignment.trial, reads.bytes, reads.untouched().iter());
        }
        recording.controls = controls;
        Measured {
            recording,
            flush: workload.writes().then_some(outcome.flush),
            submission: Submission::Simulated,
            submission_reason: String::new(),
            direct: Some(direct),
            next_first,
            interrupted: outcome.stopped.is_some(),
            notes: Vec::new(),
            observations,
        }
    }

    /// Gives each cache with a known content just that.
    fn prewarm(&mut self, trial: u64) {
        let scenario = &self.scenario;
        let client = scenario.client_cache.and_then(|cache| cache.prewarmed);
        let tier = scenario.tier.and_then(|tier| tier.prewarmed);
        let caches = [
            ("memory", scenario.prewarmed, Some(&mut self.cache)),
            ("tier", tier, self.tier.as_mut()),
            ("client", client, self.client_cache.as_mut()),
        ];
        for (name, part, cache) in caches {
            if let (Some(part), Some(cache)) = (part, cache) {
                cache.prewarm(part, scenario.seed.child(name, trial));
            }
        }
    }

    /// The second before a trial, in which nothing is measured.
    fn quiet_second(&mut self, trial: u64) -> Quiet {
        let wire = self.wire().others_during(Nanos::SECOND);
        let conditions = self.conditions();
        let mut rng = self.scenario.seed.child("quiet", trial).rng();
        let by_users = (0..self.pool.drives).map(|_| {
            let mut member = Member::new(&conditions, &mut rng);
            member.admit_foreign(Nanos::SECOND, &conditions, &mut rng);
            member.counters(Nanos::SECOND).read
        });
        let read: u64 = by_users.sum();
        let done = |share: &Self| share.reshape.as_ref().map_or(0, Reshape::done);
        let (old, new) = (u64::from(self.pool.drives), u64::from(self.grown.drives));
        let before = done(self);
        self.advance(Nanos::SECOND);
        let moved = done(self).saturating_sub(before);
        Quiet {
            wire,
            read: read + moved * old,
            written: moved * new,
        }
    }

    /// How long each of the control reads takes, one after another.
    fn touch<'a>(
        &mut self,
        trial: u64,
        bytes: u64,
        places: impl Iterator<Item = &'a Operation>,
    ) -> Vec<Nanos> {
        let touch = Touch::new(places.copied());
        let stage = self.stage("touch", trial);
        let mut outcome = Trial::new(stage, vec![touch], bytes, 1, &Watch::default()).run();
        self.go_on(&outcome);
        outcome.sources.remove(0).latencies()
    }

    /// What a trial works on; its chance is child `index` of `name`.
    fn stage(&mut self, name: &str, index: u64) -> Stage<'_> {
        let (wire, conditions) = (self.wire(), self.conditions());
        let scenario = &self.scenario;
        let chunk = scenario.chunk.0.max(4096);
        Stage {
            server: scenario.server,
            wire,
            round_trip: scenario.network.round_trip,
            conditions,
            placement: Placement {
                old: Layout::new(self.pool, chunk),
                new: Layout::new(self.grown, chunk),
            },
            reshape: self.reshape.as_mut(),
            stored: scenario.stored,
            cache: &mut self.cache,
            tier: scenario.tier.zip(self.tier.as_mut()),
            client: scenario.client,
            client_cache: scenario.client_cache.zip(self.client_cache.as_mut()),
            files: &self.files,
            rng: scenario.seed.child(name, index).rng(),
        }
    }

    /// After a trial: time went by, and other users' data went through the server's memory.
    fn go_on<S>(&mut self, outcome: &Outcome<S>) {
        self.clock = self.clock + outcome.elapsed;
        let read = |member: &Counters| member.read;
        self.members_read += outcome.members.iter().map(read).sum::<u64>();
        self.note_the_end();
        self.cache
            .displace(outcome.foreign * self.scenario.users.block.0);
    }

    fn wire(&self) -> Wire {
        Wire::new(&self.scenario.network, self.scenario.seed, self.clock)
    }

    /// Bytes of the pattern's files in the client's cache.
    fn resident(&self, pattern: &Pattern) -> u64 {
        let Some(cache) = &self.client_cache else {
            return 0;
        };
        self.places_of(pattern)
            .map(|(start, end)| cache.resident(start, end))
            .sum()
    }

    fn bytes_of(&self, pattern: &Pattern) -> u64 {
        self.places_of(pattern)
            .map(|(start, end)| end - start)
            .sum()
    }

    /// Begin and end of each of the pattern's files in the pool.
    fn places_of(&self, pattern: &Pattern) -> impl Iterator<Item = (u64, u64)> {
        let (read, written) = pattern.files();
        let numbers: Vec<u64> = read.iter().chain(written).copied().collect();
        numbers.into_iter().map(|number| {
            let start = self.files[&number];
            (start, start + self.sizes[&number])
        })
    }
}
