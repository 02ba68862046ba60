//! What was observed beside the operations of a trial: counters, cache residency, small probes.
//!
//! An observation is a name and a number. What could not be observed has no entry: unknown is
//! unknown, never zero. The names are the rows of `observations.csv`; units stand in them.

use std::collections::BTreeMap;
use std::sync::Arc;

/// Observations of one trial by name. Names are shared, since thousands of trials may have the same.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Observations(BTreeMap<Arc<str>, f64>);

/// Names of observations. Those with a number in them are made by functions.
pub mod names {
    /// Bytes that came in over the interface that leads to the share's server.
    pub const WIRE_RECEIVED: &str = "wire_received_bytes";
    /// Bytes that went out over it.
    pub const WIRE_SENT: &str = "wire_sent_bytes";
    /// Its line rate in bits per second.
    pub const WIRE_LINE_RATE: &str = "wire_line_bits_per_s";
    /// Its largest packet in bytes.
    pub const WIRE_MTU: &str = "wire_mtu_bytes";
    /// Version of the Internet Protocol to the server: 4 or 6.
    pub const WIRE_IP: &str = "wire_ip_version";
    /// Bytes that came in over it in the quiet second before the trial, per second.
    pub const WIRE_QUIET_RECEIVED: &str = "wire_quiet_received_bytes_per_s";
    /// Bytes that went out over it in that second.
    pub const WIRE_QUIET_SENT: &str = "wire_quiet_sent_bytes_per_s";

    /// Bytes that the NFS client asked the server for.
    pub const NFS_SERVER_READ: &str = "nfs_server_read_bytes";
    /// Bytes that programs read from the NFS mount, buffered and direct.
    pub const NFS_READ: &str = "nfs_read_bytes";

    /// Bytes that this process asked to read.
    pub const PROCESS_ASKED: &str = "process_asked_read_bytes";
    /// Bytes that the kernel fetched from below for it.
    pub const PROCESS_FETCHED: &str = "process_fetched_read_bytes";

    /// Bytes of the trial's files in this client's page cache before it.
    pub const RESIDENT_BEFORE: &str = "resident_before_bytes";
    /// The same after it.
    pub const RESIDENT_AFTER: &str = "resident_after_bytes";
    /// Bytes of the trial's files.
    pub const RESIDENT_OF: &str = "resident_of_bytes";
    /// Holes in the trial's files, in bytes.
    pub const HOLES: &str = "data_hole_bytes";

    /// First byte of the trial's files on the device that is mounted, as a fraction of it.
    pub const LOCATION_LOW: &str = "location_low_fraction";
    /// Mean place of their bytes.
    pub const LOCATION_MEAN: &str = "location_mean_fraction";
    /// End of their last byte.
    pub const LOCATION_HIGH: &str = "location_high_fraction";
    /// Size of that device.
    pub const LOCATION_DEVICE: &str = "location_device_bytes";

    /// The part of a block that stayed in this client's page cache when it was read directly, tried
    /// before the trial: 0 where direct reads pass the cache.
    pub const DIRECT_READ_RESIDENT: &str = "direct_read_resident_fraction";
    /// The same of a block that was written directly.
    pub const DIRECT_WRITE_RESIDENT: &str = "direct_write_resident_fraction";

    /// Touching untouched blocks for the first time: operations per second.
    pub const TWICE_FIRST_RATE: &str = "twice_first_operations_per_s";
    /// Touching the same blocks again at once.
    pub const TWICE_SECOND_RATE: &str = "twice_second_operations_per_s";
    /// Mean of the natural logarithm of the first touches' latency in nanoseconds.
    pub const TWICE_FIRST_LOG: &str = "twice_first_mean_log_ns";
    /// The same of the second touches.
    pub const TWICE_SECOND_LOG: &str = "twice_second_mean_log_ns";
    /// Operations of each touch.
    pub const TWICE_OPERATIONS: &str = "twice_operations";

    /// Blocks of 4 KiB that the trial read and that were compared afterwards with what was laid down.
    pub const CHECKED_BLOCKS: &str = "checked_blocks";
    /// Of these, blocks that hold something else.
    pub const DAMAGED_BLOCKS: &str = "damaged_blocks";
    /// The order in which the trial wrote, as a number: the same order has the same number.
    pub const WRITE_ORDER: &str = "write_order";
    /// The operation number from which on every write of the trial was done and flushed.
    pub const WRITTEN_FROM: &str = "written_from_operation";

    /// Half of the 95 % interval of a sitting's mean, over that mean, that the sitting was to reach.
    pub const PRECISION_ASKED: &str = "precision_asked_fraction";
    /// The same of this trial's mean rate, by its own windows, reached at its end.
    pub const PRECISION_REACHED: &str = "precision_reached_fraction";
    /// 1 where the trial ended because that was as narrow as asked, 0 where it ran its time.
    pub const ENDED_PRECISE: &str = "ended_precise";
    /// The time that it would have run otherwise, in seconds.
    pub const LONGEST: &str = "longest_s";
    /// Size of the data to read that the sitting was asked for, in bytes.
    pub const SIZE_ASKED: &str = "size_asked_bytes";

    /// Dirty memory of this client at the end of the trial, in bytes.
    pub const DIRTY_AFTER: &str = "dirty_after_bytes";
    /// Busy fraction of this client's busiest core.
    pub const BUSIEST_CORE: &str = "client_busiest_core_fraction";
    /// Busy fraction of all its cores.
    pub const CORES: &str = "client_cores_fraction";
    /// Processor time of this process for an operation of the trial, in nanoseconds, with what the
    /// kernel's workers did for it.
    pub const LOAD_PROCESSOR: &str = "load_processor_ns_per_operation";
    /// Time in which the threads that made the load were on a processor, all together, in seconds.
    pub const LOAD_RAN: &str = "load_ran_s";
    /// Part of the trial in which such a thread was ready and waited for a processor, their mean: what
    /// the latencies have of this client and not of the share.
    pub const LOAD_QUEUED: &str = "load_queued_fraction";
    /// What deciding, timing and recording take for one operation, in nanoseconds, right before the
    /// trial.
    pub const INSTRUMENT: &str = "instrument_ns_per_operation";
    /// The same: of a thousand operations the slowest.
    pub const INSTRUMENT_P999: &str = "instrument_p999_ns";

    /// Operations per second on a ring, when the submission was chosen: the median of its turns.
    pub const RING_RATE: &str = "choice_ring_operations_per_s";
    /// The same on threads.
    pub const THREADS_RATE: &str = "choice_threads_operations_per_s";
    /// Processor time for an operation on a ring, when the submission was chosen.
    pub const RING_PROCESSOR: &str = "choice_ring_processor_ns_per_operation";
    /// The same on threads.
    pub const THREADS_PROCESSOR: &str = "choice_threads_processor_ns_per_operation";
    /// Seconds that the choice took.
    pub const SUBMISSION_CHOICE: &str = "choice_s";

    /// Seconds from the beginning of the trial's row until its load began: opening files, looking, choosing.
    pub const PREPARED: &str = "prepared_s";

    /// Time in which some task of this client waited for I/O, in seconds.
    pub const PRESSURE_IO: &str = "pressure_io_some_s";
    /// Time in which some task of this client waited for a processor, in seconds.
    pub const PRESSURE_CPU: &str = "pressure_cpu_some_s";

    /// Rate of writing zeros, in bytes per second.
    pub const WRITE_ZEROS: &str = "compressible_zeros_bytes_per_s";
    /// Rate of writing data that compresses to half.
    pub const WRITE_HALF: &str = "compressible_half_bytes_per_s";
    /// Rate of writing data that does not compress.
    pub const WRITE_RANDOM: &str = "compressible_none_bytes_per_s";

    /// Part of the reshape that is done, at the end of the trial.
    pub const RESHAPE_FRACTION: &str = "reshape_fraction";
    /// Its speed in parts of the whole an hour, by the latest readings.
    pub const RESHAPE_PACE: &str = "reshape_fraction_per_h";
    /// Its speed as its source tells it, at the end of the trial.
    pub const RESHAPE_RATE: &str = "reshape_bytes_per_s";

    /// Member drives that were asked.
    pub const MEMBERS: &str = "members";
    /// Bytes read from all of them in a quiet moment before the trial, per second.
    pub const MEMBERS_QUIET_READ: &str = "members_quiet_read_bytes_per_s";
    /// Bytes written to all of them in that moment, per second.
    pub const MEMBERS_QUIET_WRITTEN: &str = "members_quiet_written_bytes_per_s";

    /// Bytes read from member drive number `n`, from 0.
    pub fn member_read(n: usize) -> String {
        format!("member_{n}_read_bytes")
    }

    /// Bytes written to it.
    pub fn member_written(n: usize) -> String {
        format!("member_{n}_written_bytes")
    }

    /// Mean time of its reads, in milliseconds.
    pub fn member_await(n: usize) -> String {
        format!("member_{n}_read_await_ms")
    }

    /// Fraction of the time in which it was busy.
    pub fn member_busy(n: usize) -> String {
        format!("member_{n}_busy_fraction")
    }
}

impl Observations {
    /// Keeps an observation; what is not a finite number is not kept.
    pub fn put(&mut self, name: impl Into<Arc<str>>, value: f64) {
        if value.is_finite() {
            self.0.insert(name.into(), value);
        }
    }

    /// Keeps an observation if there is one.
    pub fn put_some(&mut self, name: impl Into<Arc<str>>, value: Option<f64>) {
        if let Some(value) = value {
            self.put(name, value);
        }
    }

    /// The observation with this name.
    pub fn get(&self, name: &str) -> Option<f64> {
        self.0.get(name).copied()
    }

    /// All of them, by name.
    pub fn iter(&self) -> impl Iterator<Item = (&str, f64)> {
        self.0.iter().map(|(name, value)| (name.as_ref(), *value))
    }
}

impl FromIterator<(String, f64)> for Observations {
    fn from_iter<I: IntoIterator<Item = (String, f64)>>(pairs: I) -> Self {
        let mut observations = Self::default();
        pairs
            .into_iter()
            .for_each(|(name, value)| observations.put(name, value));
        observations
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn unknown_stays_unknown() {
        let mut seen = Observations::default();
        seen.put(names::HOLES, 0.0);
        seen.put(names::WIRE_MTU, f64::NAN);
        seen.put_some(names::CORES, None);
        assert_eq!(
            (seen.get(names::HOLES), seen.get(names::WIRE_MTU)),
            (Some(0.0), None)
        );
        assert_eq!(seen.iter().count(), 1);
    }
}
