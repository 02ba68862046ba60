//! What can be observed beside the operations of a trial on a mounted share.

use std::path::Path;
use std::thread::sleep;
use std::time::{Duration, Instant};

use super::buffers::Buffers;
use super::direct::Alignment;
use super::files::Files;
use super::residency::resident;
use super::touch::{Touched, touch, write_classes};
use crate::facts::counters::{CoreTime, CounterError, Counters, Deltas, DriveIo, difference};
use crate::load::{Assignment, Watch};
use crate::plan::{CLASS_BLOCK, CLASS_WRITES};
use crate::probe::extents::{device_bytes, extents, position};
use crate::probe::{self, Sources};
use crate::record::{Controls, Observations, observed};
use crate::study::{Identity, Server};
use crate::sys;
use crate::units::{Bytes, Nanos};

/// Others that fill this part of the link are waited for, but not for ever.
const BUSY: f64 = 0.1;
const PATIENCE: Duration = Duration::from_secs(10);
/// How long the link is looked at before a trial, to learn what others move.
const QUIET: Duration = Duration::from_millis(500);

/// Looks at one share, trial after trial.
#[derive(Debug)]
pub(super) struct Observer {
    study: Identity,
    sources: Sources,
    server: Server,
    /// Drives of this machine under the share, where nobody says how to ask for its members and their counts tell.
    drives: Option<Vec<String>>,
    /// Line rate in bits per second and largest packet of the link to the server.
    line: Option<(f64, f64)>,
    /// Size of the block device under the share, where it is one device of this machine.
    device: Option<Bytes>,
}

/// What was tried on the share before a trial, and what came of it.
pub(super) struct Tried {
    seen: Observations,
    /// What could not be observed, for the trial's notes.
    notes: Vec<String>,
    touched: Touched,
    /// Operations of the pattern that were used up.
    pub(super) used: u64,
}

/// What was seen before a trial.
pub(super) struct Before {
    seen: Observations,
    counters: Counters,
    members: Option<(Vec<DriveIo>, Instant)>,
    touched: Touched,
    notes: Vec<String>,
}

/// What was seen of a trial.
pub(super) struct Seen {
    pub(super) observations: Observations,
    pub(super) controls: Controls,
    pub(super) notes: Vec<String>,
}

impl Observer {
    /// An observer of `share`. `link_gigabits` is what the person said of the link.
    pub(super) fn new(
        share: &Path,
        study: Identity,
        server: Server,
        link_gigabits: Option<f64>,
    ) -> Self {
        let sources = Sources::find(share, server.address.as_deref(), &[]);
        let line = sources.link().and_then(|link| {
            let links = probe::links().ok()?;
            let own = links.into_iter().find(|own| own.name == link.interface)?;
            let told = own.bits_per_second.map(|bits| bits as f64);
            Some((
                link_gigabits.map(|gigabits| gigabits * 1e9).or(told)?,
                own.mtu as f64,
            ))
        });
        let unasked = server.diskstats_command.is_none();
        Self {
            study,
            sources,
            drives: unasked.then(|| probe::drives(share)).flatten(),
            server,
            line,
            device: device_bytes(share),
        }
    }

    /// Empties the server's cache if there is a command for it, touches some untouched blocks twice or
    /// writes what may be compressed.
    pub(super) fn tries(
        &self,
        assignment: &Assignment<'_>,
        files: &Files,
        alignment: Alignment,
        watch: &Watch,
    ) -> Tried {
        let (mut seen, mut notes) = (Observations::default(), Vec::new());
        if let Some(command) = &self.server.empty_cache_command
            && let Err(why) = watch.slowly(|| probe::shell(command, self.server.patience()))
        {
            notes.push(format!("the server's cache was not emptied: {why}"));
        }
        let block = assignment.workload.block.0 as usize;
        let mut buffers = Buffers::new(1, block, alignment.memory);
        let touched = touch(assignment, files, alignment, &mut buffers);
        touched.controls.put(&mut seen);
        let mut used = touched.used;
        if !assignment.workload.reads() && assignment.workload.block.0 >= CLASS_BLOCK {
            let classes = || {
                write_classes(
                    assignment,
                    files,
                    alignment,
                    self.study,
                    &mut buffers,
                    &mut seen,
                )
            };
            watch
                .slowly(classes)
                .unwrap_or_else(|why| notes.push(format!("compressibility not seen: {why}")));
            used = CLASS_WRITES;
        }
        Tried {
            seen,
            notes,
            touched,
            used,
        }
    }

    /// Looks at everything that is to be compared afterwards.
    pub(super) fn before(
        &self,
        tried: Tried,
        assignment: &Assignment<'_>,
        files: &Files,
        watch: &Watch,
    ) -> Before {
        let Tried {
            mut seen,
            mut notes,
            touched,
            ..
        } = tried;
        put_residency(observed::RESIDENT_BEFORE, assignment, files, &mut seen);
        seen.put_some(observed::HOLES, holes(assignment, files));
        let quiet = self.members(watch).ok();
        notes.extend(self.look_at_the_link(&mut seen));
        watch.step();
        let members = self.members(watch).map_err(|why| notes.extend(why)).ok();
        if let (Some(then), Some(now)) = (&quiet, &members) {
            put_quiet_members(then, now, &mut seen);
        }
        Before {
            seen,
            counters: Counters::read(&self.sources),
            members,
            touched,
            notes,
        }
    }

    /// Looks again and tells the differences.
    pub(super) fn after(
        &self,
        before: Before,
        assignment: &Assignment<'_>,
        files: &Files,
        alignment: Alignment,
        watch: &Watch,
    ) -> Seen {
        let Before {
            mut seen,
            counters,
            members,
            touched,
            mut notes,
        } = before;
        let deltas = difference(&counters, &Counters::read(&self.sources));
        put_deltas(&deltas, &mut seen);
        if let Some((before, when)) = members {
            match self.members(watch) {
                Ok((after, now)) => {
                    put_members(
                        &before,
                        &after,
                        Nanos::from(now - when),
                        &mut seen,
                        &mut notes,
                    );
                }
                Err(why) => notes.extend(why),
            }
        }
        put_residency(observed::RESIDENT_AFTER, assignment, files, &mut seen);
        self.put_location(files, &mut seen);
        let block = assignment.workload.block.0 as usize;
        let mut buffers = Buffers::new(1, block, alignment.memory);
        Seen {
            observations: seen,
            controls: watch.slowly(|| touched.after(files, alignment, &mut buffers)),
            notes,
        }
    }

    /// Where the trial's files lie on their device, where the file system tells.
    fn put_location(&self, files: &Files, seen: &mut Observations) {
        let Some(device) = self.device else {
            return;
        };
        let mut runs = Vec::new();
        for (_, file) in files.all() {
            match extents(file) {
                Ok(found) => runs.extend(found),
                // A part of the answer would not be the place of the files.
                Err(_) => return,
            }
        }
        if let Some(found) = position(&runs, device) {
            seen.put(observed::LOCATION_LOW, found.low);
            seen.put(observed::LOCATION_MEAN, found.mean);
            seen.put(observed::LOCATION_HIGH, found.high);
            seen.put(observed::LOCATION_DEVICE, device.0 as f64);
        }
    }

    /// What moves over the link while nothing is measured. Waits a while for others to finish, and says
    /// so.
    fn look_at_the_link(&self, seen: &mut Observations) -> Option<String> {
        let link = self.sources.link()?;

        if let Some((line, mtu)) = self.line {
            seen.put(observed::WIRE_LINE_RATE, line);
            seen.put(observed::WIRE_MTU, mtu);
        }
        seen.put(
            observed::WIRE_IP,
            if link.server.is_ipv6() { 6.0 } else { 4.0 },
        );
        let busy = self.line.map(|(line, _)| BUSY * line / 8.0);
        let begun = Instant::now();
        loop {
            let before = Counters::read(&self.sources);
            sleep(QUIET);
            let quiet = difference(&before, &Counters::read(&self.sources));
            let moved = quiet.counted.link?;
            let seconds = quiet.elapsed.secs().max(1e-3);
            let [received, sent] = [moved.received, moved.sent].map(|b| b.0 as f64 / seconds);
            seen.put(observed::WIRE_QUIET_RECEIVED, received);
            seen.put(observed::WIRE_QUIET_SENT, sent);
            if busy.is_none_or(|busy| received.max(sent) <= busy) || begun.elapsed() > PATIENCE {
                let waited = begun.elapsed().as_secs();
                return (waited > 0).then(|| format!("waited {waited} s for others on the link"));
            }
        }
    }

    /// What the member drives have done, of this machine or as the server tells; an empty error when there is no
    /// command for it.
    fn members(&self, watch: &Watch) -> Result<(Vec<DriveIo>, Instant), Option<String>> {
        let drives = match &self.drives {
            Some(names) => probe::own_members(names),
            None => watch.slowly(|| probe::members(&self.server)).ok_or(None)?,
        };
        let drives = drives.map_err(|why| Some(format!("member drives not seen: {why}")))?;
        Ok((drives, Instant::now()))
    }
}

/// Bytes of the files to be read that lie in this client's page cache.
fn put_residency(name: &str, assignment: &Assignment<'_>, files: &Files, seen: &mut Observations) {
    let reads = assignment.pattern.files().0;
    let (mut cached, mut of) = (0.0, 0.0);
    for &number in reads {
        let Some(bytes) = assignment.data.file(number).map(|file| file.bytes.0) else {
            return;
        };
        let Ok(found) = resident(files.get(number), bytes) else {
            return;
        };
        cached += bytes as f64 * found.pages as f64 / found.of_pages.max(1) as f64;
        of += bytes as f64;
    }
    if !reads.is_empty() {
        seen.put(name, cached);
        seen.put(observed::RESIDENT_OF, of);
    }
}

/// Bytes of holes in the files to be read, where the file system tells.
fn holes(assignment: &Assignment<'_>, files: &Files) -> Option<f64> {
    let mut holes = 0;
    for &number in assignment.pattern.files().0 {
        let bytes = assignment.data.file(number)?.bytes.0;
        holes += sys::holes(files.get(number), bytes)?;
    }
    Some(holes as f64)
}

fn put_deltas(deltas: &Deltas, seen: &mut Observations) {
    if let Some(process) = &deltas.counted.process {
        seen.put(observed::PROCESS_ASKED, process.asked_to_read.0 as f64);
        seen.put(observed::PROCESS_FETCHED, process.fetched.0 as f64);
    }
    if let Some(nfs) = &deltas.counted.nfs {
        seen.put(observed::NFS_SERVER_READ, nfs.server_read.0 as f64);
        seen.put(
            observed::NFS_READ,
            (nfs.normal_read + nfs.direct_read).0 as f64,
        );
    }
    if let Some(link) = &deltas.counted.link {
        seen.put(observed::WIRE_RECEIVED, link.received.0 as f64);
        seen.put(observed::WIRE_SENT, link.sent.0 as f64);
    }
    let busy: Vec<f64> = deltas
        .counted
        .cores
        .iter()
        .filter_map(CoreTime::busy_fraction)
        .collect();
    if !busy.is_empty() {
        seen.put(
            observed::BUSIEST_CORE,
            busy.iter().copied().fold(0.0, f64::max),
        );
        seen.put(
            observed::CORES,
            busy.iter().sum::<f64>() / busy.len() as f64,
        );
    }
    seen.put_some(
        observed::PRESSURE_IO,
        deltas.counted.io_pressure.as_ref().map(|p| p.some.secs()),
    );
    seen.put_some(
        observed::PRESSURE_CPU,
        deltas.counted.cpu_pressure.as_ref().map(|p| p.some.secs()),
    );
    seen.put_some(
        observed::DIRTY_AFTER,
        deltas.memory.as_ref().map(|(_, m)| m.dirty.0 as f64),
    );
}

/// What the member drives do while nothing is measured, when they were looked at for long enough.
fn put_quiet_members(
    (before, then): &(Vec<DriveIo>, Instant),
    (after, now): &(Vec<DriveIo>, Instant),
    seen: &mut Observations,
) {
    let span = now.duration_since(*then);
    if let Ok(moved) = moved(before, after)
        && span >= QUIET
    {
        let per_second = |bytes: fn(&DriveIo) -> Bytes| {
            moved.iter().map(bytes).sum::<Bytes>().0 as f64 / span.as_secs_f64()
        };
        seen.put(
            observed::MEMBERS_QUIET_READ,
            per_second(DriveIo::bytes_read),
        );
        seen.put(
            observed::MEMBERS_QUIET_WRITTEN,
            per_second(DriveIo::bytes_written),
        );
    }
}

/// What each drive did from one look to the next; an error when its counters ran backwards.
fn moved(before: &[DriveIo], after: &[DriveIo]) -> Result<Vec<DriveIo>, CounterError> {
    before
        .iter()
        .zip(after)
        .map(|(before, after)| after.since(before).map(|(moved, _)| moved))
        .collect()
}

fn put_members(
    before: &[DriveIo],
    after: &[DriveIo],
    elapsed: Nanos,
    seen: &mut Observations,
    notes: &mut Vec<String>,
) {
    let moved = match moved(before, after) {
        Ok(moved) => moved,
        Err(why) => return notes.push(format!("member drives not seen: {why}")),
    };
    seen.put(observed::MEMBERS, moved.len() as f64);
    for (n, drive) in moved.iter().enumerate() {
        seen.put(observed::member_read(n), drive.bytes_read().0 as f64);
        seen.put(observed::member_written(n), drive.bytes_written().0 as f64);
        let wait = drive.mean_read_time().map(|time| time.secs() * 1e3);
        seen.put_some(observed::member_await(n), wait);
        seen.put_some(observed::member_busy(n), drive.utilisation(elapsed));
    }
}
