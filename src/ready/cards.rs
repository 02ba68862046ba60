//! Two cards for the wall: what never to do while an array reshapes, and what to take care of.

/// What never to do while an array reshapes. Common practice, no source.
pub const NEVER: [&str; 9] = [
    "Never reboot, suspend or power off the server, and let nothing else do it: no updates, no \
     timers. If it must be, stop the array cleanly first, as its maker says.",
    "Never pull a drive or mark it as failed because it is slow. A slow drive that answers is worth \
     more than a missing one; ask the server what it says of it first.",
    "Never move, unplug or re-cable a drive, an enclosure or a controller, and pull no drive to read \
     its serial number.",
    "Never create the array anew over its drives, and force no assembly, without an image of every \
     drive or the maker's support.",
    "Never run a repair of the file system, and never grow or shrink it by hand, before the layout is \
     finished; that some grow by adding the drive itself is no harm.",
    "Never start a second expansion, a scrub or a rebuild beside it.",
    "Never delete the file in which the array backs up its critical section, where it has one, and \
     keep that file off the array itself.",
    "Never take 0 KB/s for a number of minutes: it is a stall. Look at the server's log before you \
     touch anything.",
    "Never measure at full load for long: it slows the reshape, and the reshape may give way to it.",
];

/// What to take care of before starting; these defer to the maker and to local rules.
pub const CAUTIONS: [&str; 5] = [
    "The expansion erases the new drive. Check its serial number against the bay twice, and that it \
     holds nothing anybody needs, before you add it.",
    "An expansion is no backup, and redundancy is none. A backup that has been restored from comes \
     first.",
    "Mains power, cabling and backup power: follow the maker's manual and local rules, and leave work \
     on mains wiring to licensed people.",
    "Hardware is heavy and dislikes static electricity and knocks. Power off before you move anything \
     that the maker does not call hot-pluggable, and lift as the manual says.",
    "Where this program and the manual of the pool's maker differ, the manual is right.",
];
