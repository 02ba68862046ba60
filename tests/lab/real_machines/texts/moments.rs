//! The moments: how each is brought about, and which words make it that one.

/// One moment of an array or a file system.
pub(super) struct Moment {
    /// Names its files.
    pub(super) name: &'static str,
    /// What leads up to it, on empty drives that are in no array.
    pub(super) begin: &'static str,
    /// Whether the power is cut then.
    pub(super) cut: bool,
    /// Drives that answer everything with an error from then on.
    pub(super) failing: &'static [usize],
    /// What is done after that.
    pub(super) then: &'static str,
    /// What shows it; `None` for `/proc/mdstat` and md's files in `/sys`.
    pub(super) shown: Option<&'static str>,
    /// Words that its texts have.
    pub(super) words: &'static [&'static str],
    /// Words that they have not.
    pub(super) without: &'static [&'static str],
}

/// What the scripts of moments use.
pub(super) const PRELUDE: &str = r#"
limit() { echo $1 >/proc/sys/dev/raid/speed_limit_max; echo $1 >/proc/sys/dev/raid/speed_limit_min; }
reset() {
    modprobe -a raid0 raid1 raid10 raid456 btrfs; mkdir -p /mnt
    btrfs balance cancel /mnt; umount /mnt
    for md in /dev/md[0-9]*; do [ -b $md ] && mdadm --stop $md; done
    btrfs device scan --forget
    for drive in /dev/vd[b-g]; do
        # Signatures of md lie at 4 KiB, of btrfs at 64 KiB and 64 MiB; halves begin at 1 and 100 MiB.
        for mib in 0 1 64 65 100 101; do
            dd if=/dev/zero of=$drive bs=1M count=1 seek=$mib conv=notrunc oflag=direct
        done
        blockdev --rereadpt $drive
    done
    limit 200000
    grep -q '^md' /proc/mdstat || echo empty >&2
}
create() { level=$1; shift; mdadm --create /dev/md0 --run --assume-clean --level=$level --raid-devices=$# $*; }
mid() {
    for look in $(seq 100); do
        grep -Eq 'reshape = +([1-9][0-9]|[2-9])\.' /proc/mdstat && return
        sleep 0.2
    done
    echo 'the reshape does not get on'
}
six() { create 6 /dev/vdb /dev/vdc /dev/vdd /dev/vde; }
grow() { limit 2000; mdadm /dev/md0 --add /dev/vdf; mdadm --grow /dev/md0 --raid-devices=5; mid; }
five() {
    create 5 /dev/vdb /dev/vdc /dev/vdd; limit 2000
    mdadm /dev/md0 --add /dev/vde; mdadm --grow /dev/md0 --raid-devices=4; mid
}
write() { (dd if=/dev/urandom of=/dev/md0 bs=64k count=64 oflag=direct &) ; sleep 2; }
# Two halves of each drive: a table of partitions, byte by byte.
halves() {
    for drive in /dev/vd[b-f]; do
        printf '\0\0\0\0\x83\0\0\0\x00\x08\0\0\x40\x0d\x03\0\0\0\0\0\x83\0\0\0\x00\x20\x03\0\x40\x0d\x03\0' \
            | dd of=$drive bs=1 seek=446 conv=notrunc
        printf '\x55\xaa' | dd of=$drive bs=1 seek=510 conv=notrunc
        blockdev --rereadpt $drive
    done
}
files() {
    mkfs.btrfs -q -f -d raid1 -m raid1 /dev/vdb /dev/vdc /dev/vdd; btrfs device scan; mount /dev/vdb /mnt
    for plate in 1 2 3 4 5; do head -c 20M /dev/urandom >/mnt/$plate.tif; done; sync
}
balance() { btrfs device add -f /dev/vde /mnt; btrfs balance start --full-balance /mnt >/tmp/balance 2>&1 & }
"#;

const MD: Moment = Moment {
    name: "",
    begin: "",
    cut: false,
    failing: &[],
    then: "",
    shown: None,
    words: &[],
    without: &[],
};
const STATUS: Option<&str> = Some("btrfs balance status /mnt");

/// All of them.
pub(super) const MOMENTS: &[Moment] = &[
    Moment {
        name: "clean",
        begin: "six",
        words: &["active raid6", "[4/4] [UUUU]", "sync_action=idle"],
        without: &[" = ", "(S)"],
        ..MD
    },
    Moment {
        name: "resync",
        begin: "limit 2000; mdadm --create /dev/md0 --run --level=6 --raid-devices=4 /dev/vd[b-e]",
        words: &["resync = ", "sync_action=resync"],
        ..MD
    },
    Moment {
        name: "recover",
        begin: "six; limit 2000; mdadm /dev/md0 --fail /dev/vdc; sleep 1; mdadm /dev/md0 --remove /dev/vdc; mdadm /dev/md0 --add /dev/vdf",
        words: &["recovery = ", "[4/3] [U_UU]", "sync_action=recover"],
        ..MD
    },
    Moment {
        name: "reshape",
        begin: "six; grow",
        words: &["reshape = ", "sync_action=reshape", "raid_disks=5 (4)"],
        without: &["(F)"],
        ..MD
    },
    Moment {
        name: "check",
        begin: "six; limit 2000; echo check >/sys/block/md0/md/sync_action",
        words: &["check = ", "sync_action=check"],
        ..MD
    },
    Moment {
        name: "repair",
        begin: "six; limit 2000; echo repair >/sys/block/md0/md/sync_action",
        words: &["resync = ", "sync_action=repair"],
        ..MD
    },
    Moment {
        name: "delayed",
        begin: "halves; limit 1000
            for half in 1 2; do
                mdadm --create /dev/md$half --run --assume-clean --level=6 --raid-devices=4 /dev/vd[b-e]$half
                mdadm /dev/md$half --add /dev/vdf$half
                mdadm --grow /dev/md$half --raid-devices=5
            done",
        words: &["reshape = ", "=DELAYED"],
        ..MD
    },
    Moment {
        name: "delayed-alone",
        // What is behind a check of the other array has not begun to reshape.
        begin: "halves; limit 1000
            for half in 1 2; do
                mdadm --create /dev/md$half --run --assume-clean --level=6 --raid-devices=4 /dev/vd[b-e]$half
            done
            echo check >/sys/block/md1/md/sync_action; sleep 1
            mdadm /dev/md2 --add /dev/vdf2; mdadm --grow /dev/md2 --raid-devices=5",
        words: &["check = ", "=DELAYED"],
        ..MD
    },
    Moment {
        name: "frozen",
        begin: "six; grow; echo frozen >/sys/block/md0/md/sync_action",
        words: &["sync_action=frozen", "raid_disks=5 (4)"],
        without: &["reshape =", "reshape_position=none"],
        ..MD
    },
    Moment {
        name: "degraded-reshape",
        begin: "six; grow",
        failing: &[2],
        words: &["(F)", "reshape = ", "[5/4]"],
        ..MD
    },
    Moment {
        name: "failed",
        begin: "six",
        failing: &[1],
        then: "write",
        words: &["(F)", "[4/3] [U_UU]", "degraded=1"],
        without: &[" = "],
        ..MD
    },
    Moment {
        name: "spare",
        begin: "six; mdadm /dev/md0 --add /dev/vdf",
        words: &["vdf[4](S)", "[4/4] [UUUU]"],
        without: &[" = "],
        ..MD
    },
    Moment {
        name: "read-only",
        begin: "six; mdadm --readonly /dev/md0",
        words: &["(read-only)", "array_state=readonly"],
        ..MD
    },
    Moment {
        name: "power-cut",
        begin: "six; grow; sync",
        cut: true,
        // As Debian sets it: an array stays as it is found until somebody writes.
        then: "modprobe -a raid456; echo 1 >/sys/module/md_mod/parameters/start_ro; limit 2000; mdadm --assemble /dev/md0 /dev/vd[b-f]",
        words: &["(auto-read-only)", "raid_disks=5 (4)"],
        without: &["reshape_position=none"],
        ..MD
    },
    Moment {
        name: "broken",
        begin: "create 5 /dev/vdb /dev/vdc /dev/vdd",
        failing: &[1, 2],
        then: "write",
        words: &["[3/1]", "array_state=broken"],
        without: &[" = "],
        ..MD
    },
    Moment {
        name: "broken-reshape",
        begin: "five",
        failing: &[1, 2],
        words: &["[4/2]", "(F)", "array_state=broken"],
        ..MD
    },
    Moment {
        name: "inactive",
        begin: "six; mdadm --stop /dev/md0; mdadm --incremental /dev/vdb",
        words: &["inactive", "(S)"],
        ..MD
    },
    Moment {
        name: "raid0-grow",
        begin: "mdadm --create /dev/md0 --run --level=0 --raid-devices=2 /dev/vdb /dev/vdc; limit 2000
            mdadm --grow /dev/md0 --raid-devices=3 --add /dev/vdd >/tmp/grow 2>&1",
        words: &["active raid4", "reshape = "],
        ..MD
    },
    Moment {
        name: "raid5-to-6",
        begin: "create 5 /dev/vdb /dev/vdc /dev/vdd; limit 2000; mdadm /dev/md0 --add /dev/vde
            mdadm --grow /dev/md0 --level=6 --raid-devices=4 --backup-file=/tmp/backup >/tmp/grow 2>&1",
        words: &["active raid6", "reshape = "],
        ..MD
    },
    Moment {
        name: "raid1-grow",
        begin: "create 1 /dev/vdb /dev/vdc; limit 2000; mdadm /dev/md0 --add /dev/vdd; mdadm --grow /dev/md0 --raid-devices=3",
        words: &["active raid1", "[3/2]", "recovery = "],
        ..MD
    },
    Moment {
        name: "raid10-grow",
        begin: "create 10 /dev/vdb /dev/vdc /dev/vdd /dev/vde; limit 2000; mdadm /dev/md0 --add /dev/vdf; mdadm --grow /dev/md0 --raid-devices=5",
        words: &["active raid10", "reshape = "],
        ..MD
    },
    Moment {
        name: "balance-running",
        begin: "files; balance",
        shown: STATUS,
        words: &["is running\n", "% left"],
        ..MD
    },
    Moment {
        name: "balance-paused",
        begin: "files; balance; sleep 0.3; btrfs balance pause /mnt",
        shown: STATUS,
        words: &["is paused\n", "% left"],
        ..MD
    },
    Moment {
        name: "balance-none",
        begin: "files",
        shown: STATUS,
        words: &["No balance found"],
        ..MD
    },
    Moment {
        name: "device-stats",
        begin: "files",
        failing: &[1],
        then: "head -c 8M /dev/urandom >/mnt/late.tif; sync",
        shown: Some("btrfs device stats /mnt"),
        words: &["[/dev/vdc].write_io_errs", "[/dev/vdb].write_io_errs    0\n"],
        without: &["[/dev/vdc].write_io_errs    0\n"],
    ..MD
    },
    Moment {
        name: "filesystem-show-missing",
        begin: "files; umount /mnt; for mib in 0 64; do dd if=/dev/zero of=/dev/vdd bs=1M count=1 seek=$mib oflag=direct; done
            btrfs device scan --forget; btrfs device scan /dev/vdb /dev/vdc; mount -o degraded /dev/vdb /mnt",
        shown: Some("btrfs filesystem show 2>&1"),
        words: &["Total devices 3", "MISSING"],
        ..MD
    },
    Moment {
        name: "usage",
        begin: "files",
        shown: Some("btrfs filesystem usage /mnt"),
        words: &["Overall:", "Data,RAID1:", "Unallocated:"],
        ..MD
    },
];
