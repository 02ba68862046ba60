//! What to know and do before starting: sentences that follow from the proposal.

use super::super::assumptions::Assumed;
use super::super::{Proposal, Scheme};
use super::{Expected, Space};
use crate::units::Bytes;

/// From this part on a pool is too full to be grown without thought.
const FULL: f64 = 0.9;

pub(super) fn cautions(
    proposal: &Proposal,
    space: &Space,
    speed: &[Expected],
    assumed: &Assumed,
) -> Vec<String> {
    let mut list: Vec<String> = Vec::new();
    let mut say = |text: &str| list.push(text.to_owned());
    say("A backup that has been restored as a trial comes first: an expansion rewrites the pool.");
    if space.gained() == Bytes(0) {
        say(match proposal.scheme {
            Scheme::Raid1 => {
                "RAID 1 gains no space by another drive: it gains a copy, and reads for several users."
            }
            _ => "No space is gained: all of the new drive goes to redundancy.",
        });
    }
    if proposal.over_itself() {
        say(
            "Every stripe is written over itself: far slower than an expansion that gains space, and \
             a cut in the middle needs the copy that is kept elsewhere. Ask the maker's manual where \
             it is kept.",
        );
    }
    if space.after.wasted > space.before.wasted {
        let more = space.after.wasted.saturating_sub(space.before.wasted);
        say(&format!(
            "{} of the new drive cannot be used: {}.",
            more.si(),
            match proposal.scheme.uneven() {
                true => "too few drives are as big, or a layer that exists would have to be cut",
                false => "the smallest drive counts",
            }
        ));
    }
    if proposal.scheme.raid_z() {
        say(
            "Old blocks keep their old share of parity until they are written anew; the system \
             reports somewhat less space than expected, and a scrub follows by itself.",
        );
        say(
            "RAID-Z gathers writes before it spreads them, so small writes can be faster than shown \
             until the pool is full and in pieces.",
        );
    }
    if proposal.scheme == Scheme::Raid5 && proposal.becoming == Scheme::Raid5 {
        say(
            "One parity survives one failure: while a drive is out, an unreadable sector on any other \
             loses data. A second parity is worth more than speed on drives of this size.",
        );
    }
    if speed
        .iter()
        .any(|work| work.work.large() && work.link_bound())
    {
        say(
            "The link is full already: one user will not see faster large transfers, several at a time \
             will only share it. If speed is the aim, look at the link first.",
        );
    }
    if assumed.used > FULL {
        say(
            "The pool is over 90 % full. Keep 10 to 20 % free (common practice, no source), and make \
             room before starting if the system needs some for the expansion.",
        );
    }
    if space.usual.is_some() {
        say(
            "Sizes are those on labels. Two drives of one label can differ by megabytes: compare the \
             exact bytes of the smallest member and of the new drive before you buy.",
        );
    }
    say(
        "Ask whether the new drive writes overlapping (shingled) tracks: such drives stall in long writes.",
    );
    say(
        "Before it joins: a long self-test of every drive, a clean scrub, and the new drive written in full and read back.",
    );
    say("Put the server on an uninterruptible supply, and let nobody restart it until the end.");
    say(
        "The new drive is erased. Check twice which one it is; for adding and erasing drives, weight, static electricity and mains power follow the maker's manual and local rules.",
    );
    list
}
