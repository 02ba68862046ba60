//! What the instrument itself costs, each piece beside something that cannot be cheaper: content beside
//! a copy, checking beside its checksum alone, an operation beside the two looks at the clock it needs.
//! `cargo bench` prints medians; only ratios within one run tell anything on a shared machine.
#![expect(
    clippy::disallowed_methods,
    reason = "a benchmark reads clocks as trials do"
)]

use std::hint::black_box;
use std::time::Instant;

use divan::{Bencher, counter::BytesCount};
use poolproof::load::{Job, Next};
use poolproof::plan::content::{Address, BLOCK, check, fill};
use poolproof::plan::{DataFile, Pattern, Permutation, Phase, Set, TestData, Workload};
use poolproof::seed::Seed;
use poolproof::units::{Bytes, Nanos};
use twox_hash::XxHash3_64;

fn main() {
    divan::main();
}

const MIB: usize = 1 << 20;
const FIRST: Address = Address {
    study: 1,
    file: 2,
    block: 3,
    generation: 4,
};

#[divan::bench]
fn content_of_a_mebibyte(bencher: Bencher<'_, '_>) {
    let mut buffer = vec![0; MIB];
    bencher
        .counter(BytesCount::new(MIB))
        .bench_local(|| fill(black_box(&mut buffer), FIRST));
}

#[divan::bench]
fn reference_copy_of_a_mebibyte(bencher: Bencher<'_, '_>) {
    let (from, mut to) = (vec![1; MIB], vec![0; MIB]);
    bencher
        .counter(BytesCount::new(MIB))
        .bench_local(|| black_box(&mut to).copy_from_slice(black_box(&from)));
}

#[divan::bench]
fn check_of_a_block(bencher: Bencher<'_, '_>) {
    let mut block = vec![0; BLOCK];
    fill(&mut block, FIRST);
    bencher
        .counter(BytesCount::new(BLOCK))
        .bench_local(|| check(black_box(&block), FIRST).unwrap());
}

#[divan::bench]
fn reference_checksum_of_a_block(bencher: Bencher<'_, '_>) {
    let block = vec![1; BLOCK];
    bencher
        .counter(BytesCount::new(BLOCK))
        .bench_local(|| XxHash3_64::oneshot(black_box(&block)));
}

#[divan::bench]
fn place_by_permutation(bencher: Bencher<'_, '_>) {
    let permutation = Permutation::new(1_000_003, Seed(1));
    let mut index = 0;
    bencher.bench_local(|| {
        index = (index + 1) % 1_000_003;
        permutation.at(black_box(index))
    });
}

/// Deciding on an operation and recording it, with both looks at the clock. So many at once, since the first ones,
/// which touch the record for the first time, would have each timed by itself.
#[divan::bench(sample_size = 1000)]
fn operation_decided_and_recorded(bencher: Bencher<'_, '_>) {
    let workload = small_read();
    let file = |number| DataFile {
        number,
        set: Set::Read,
        bytes: Bytes::GIB,
        complete: true,
        phase: Phase::Before,
    };
    let data = TestData {
        folder: "test-data".into(),
        files: (0..4).map(file).collect(),
        ..TestData::default()
    };
    let all = [workload.clone()];
    let pattern = Pattern::new(&workload, &all, &data, Seed(3)).unwrap();
    let job = Job::new(&workload, pattern, Nanos(3_600 * Nanos::SECOND.0), 0, 1);
    let mut stream = job.stream(1);
    let clock = Instant::now();
    let now = || Nanos::from(clock.elapsed());
    bencher.bench_local(|| {
        let Next::Transfer(transfer) = stream.next(now()) else {
            unreachable!("a closed loop at depth 1 with nothing in flight goes on");
        };
        stream.done(black_box(transfer), now(), Ok(()));
    });
}

#[divan::bench]
fn reference_two_looks_at_the_clock() -> u128 {
    let clock = Instant::now();
    black_box(clock.elapsed().as_nanos());
    clock.elapsed().as_nanos()
}

fn small_read() -> Workload {
    let mut all = Workload::standard().into_iter();
    all.find(|workload| workload.name == "small-read")
        .expect("it is of the standard set")
}
