//! Drives that seek: their answers take the time that they state, and so have a known truth.

use std::time::Duration;

use crate::drive::Model;
use crate::lab::{Lab, Plan};
use crate::tool::say;

/// Lone reads of 16 KiB.
const BYTES: u64 = 16 << 10;
const READS: u32 = 40;
/// What QEMU, the guest and its two processes add to a read, at most; and a drawn mean is off by a little.
const ADDED: f64 = 2.5;

/// Reads `READS` places one after another, rested in between; dd tells how long each copy took, its own start
/// left out.
const LONE: &str = "
    for i in $(seq 1 40); do
        place=$(( (i * 7919 + 13) % 32000 ))
        dd if=/dev/vdb of=/dev/null bs=16k skip=$place count=1 iflag=direct 2>&1 | tail -1
        sleep 0.05
    done";

#[test]
#[ignore = "a minute, root and QEMU: .ci/run and .ci/long run it"]
fn a_lone_read_takes_the_stated_time() {
    let model = Model::turning(512 << 20, 12e6);
    let plan = |model| Plan {
        server_memory: 256,
        client_memory: 256,
        drives: vec![model],
    };
    let turning = lone(&Lab::start(&plan(model)).unwrap());
    // What reading costs where the drive costs nothing.
    let free = Lab::start(&plan(Model::solid(512 << 20, 1e9))).unwrap();
    let stated = model.lone_read(BYTES).as_secs_f64() * 1e3;
    let seen = turning - lone(&free);
    say(&format!(
        "lone reads of 16 KiB: {seen:.2} ms, the drive states {stated:.2} ms"
    ));
    assert!(
        (stated - ADDED..stated + ADDED).contains(&seen),
        "{seen} ms, stated {stated} ms"
    );
}

/// The mean of lone reads in milliseconds.
fn lone(lab: &Lab) -> f64 {
    let printed = lab
        .server
        .output(LONE, Duration::from_secs(120))
        .unwrap()
        .out;
    // `16384 bytes (16 kB, 16 KiB) copied, 0.0131 s, 1.3 MB/s`
    let times: Vec<f64> = printed
        .lines()
        .filter_map(|line| line.split(", ").nth(2)?.strip_suffix(" s")?.parse().ok())
        .collect();
    assert_eq!(times.len(), READS as usize, "{printed}");
    times.iter().sum::<f64>() / times.len() as f64 * 1e3
}
