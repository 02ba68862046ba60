//! Files and folders in memory, and where their blocks lie.

use std::collections::BTreeMap;
use std::ffi::{OsStr, OsString};
use std::io::Write as _;
use std::time::SystemTime;

use flate2::{Compression, write::DeflateEncoder};
use fuser::{Errno, FileAttr, FileType, INodeNo};

use super::config::BLOCK;
use super::server::Piece;

/// The number of the share's own folder.
pub(super) const ROOT: u64 = 1;
/// Blocks that lie together wherever they lie: 1 MiB.
const EXTENT: u64 = 256;

/// All files and folders.
#[derive(Debug)]
pub(super) struct Tree {
    nodes: BTreeMap<u64, Node>,
    next_node: u64,
    next_extent: u64,
    capacity: u64,
    used: u64,
    compression: bool,
}

#[derive(Debug)]
struct Node {
    body: Body,
    perm: u16,
    owner: (u32, u32),
    changed: SystemTime,
    /// Names that lead here.
    links: u32,
    /// What the kernel still knows of it.
    lookups: u64,
}

#[derive(Debug)]
enum Body {
    Folder {
        parent: u64,
        entries: BTreeMap<OsString, u64>,
    },
    File(Content),
}

#[derive(Debug, Default)]
struct Content {
    bytes: Vec<u8>,
    /// What each block takes on the drives.
    stored: Vec<u64>,
    /// Where each extent lies.
    extents: Vec<u64>,
}

/// Who makes something, and with which permissions.
#[derive(Clone, Copy, Debug)]
pub(super) struct Maker {
    pub(super) perm: u32,
    pub(super) owner: (u32, u32),
    pub(super) now: SystemTime,
}

impl Tree {
    pub(super) fn new(capacity: u64, compression: bool, root: Maker) -> Self {
        let entries = BTreeMap::new();
        let body = Body::Folder {
            parent: ROOT,
            entries,
        };
        Self {
            nodes: BTreeMap::from([(ROOT, Node::new(body, root))]),
            // After the root, and the offsets of "." and "..".
            next_node: 3,
            next_extent: 0,
            capacity,
            used: 0,
            compression,
        }
    }

    /// Blocks of the file system: all, and free.
    pub(super) fn room(&self) -> (u64, u64) {
        let (all, used) = (self.capacity / BLOCK, self.used.div_ceil(BLOCK));
        (all, all.saturating_sub(used))
    }

    /// The node called `name`, which the kernel will know from now on.
    pub(super) fn look_up(&mut self, parent: u64, name: &OsStr) -> Result<FileAttr, Errno> {
        let number = self.find(parent, name)?;
        self.node(number)?.lookups += 1;
        self.attributes(number)
    }

    /// The kernel forgets so many times that it looked a node up.
    pub(super) fn forget(&mut self, number: u64, times: u64) {
        if let Some(node) = self.nodes.get_mut(&number) {
            node.lookups = node.lookups.saturating_sub(times);
        }
        self.drop_unused(number);
    }

    pub(super) fn attributes(&self, number: u64) -> Result<FileAttr, Errno> {
        let node = self.nodes.get(&number).ok_or(Errno::ENOENT)?;
        let (kind, size) = match &node.body {
            Body::Folder { .. } => (FileType::Directory, 0),
            Body::File(content) => (FileType::RegularFile, content.bytes.len() as u64),
        };
        Ok(FileAttr {
            ino: INodeNo(number),
            size,
            blocks: size.div_ceil(512),
            atime: node.changed,
            mtime: node.changed,
            ctime: node.changed,
            crtime: node.changed,
            kind,
            perm: node.perm,
            nlink: node.links,
            uid: node.owner.0,
            gid: node.owner.1,
            rdev: 0,
            blksize: BLOCK as u32,
            flags: 0,
        })
    }

    /// Makes an empty file or folder, which the kernel will know from now on.
    pub(super) fn make(
        &mut self,
        parent: u64,
        name: &OsStr,
        kind: FileType,
        maker: Maker,
    ) -> Result<FileAttr, Errno> {
        let number = self.next_node;
        let entries = self.entries(parent)?;
        if entries.contains_key(name) {
            return Err(Errno::EEXIST);
        }
        entries.insert(name.to_owned(), number);
        let body = match kind {
            FileType::Directory => Body::Folder {
                parent,
                entries: BTreeMap::new(),
            },
            _ => Body::File(Content::default()),
        };
        self.nodes.insert(number, Node::new(body, maker));
        self.next_node += 1;
        self.look_up(parent, name)
    }

    /// Removes the name of a file, or of an empty folder.
    pub(super) fn remove(&mut self, parent: u64, name: &OsStr, folder: bool) -> Result<(), Errno> {
        let number = self.find(parent, name)?;
        match (&self.node(number)?.body, folder) {
            (Body::Folder { .. }, false) => return Err(Errno::EISDIR),
            (Body::File(_), true) => return Err(Errno::ENOTDIR),
            (Body::Folder { entries, .. }, true) if !entries.is_empty() => {
                return Err(Errno::ENOTEMPTY);
            }
            _ => {}
        }
        self.entries(parent)?.remove(name);
        self.node(number)?.links = 0;
        self.drop_unused(number);
        Ok(())
    }

    /// Gives a node another name, in place of what has it unless `keep`.
    pub(super) fn rename(
        &mut self,
        [from, to]: [(u64, &OsStr); 2],
        keep: bool,
    ) -> Result<(), Errno> {
        let number = self.find(from.0, from.1)?;
        match self.find(to.0, to.1) {
            Ok(same) if same == number => return Ok(()),
            Ok(_) if keep => return Err(Errno::EEXIST),
            Ok(_) => {
                let folder = matches!(self.node(number)?.body, Body::Folder { .. });
                self.remove(to.0, to.1, folder)?;
            }
            Err(_) => {}
        }
        self.entries(from.0)?.remove(from.1);
        self.entries(to.0)?.insert(to.1.to_owned(), number);
        if let Body::Folder { parent, .. } = &mut self.node(number)?.body {
            *parent = to.0;
        }
        Ok(())
    }

    /// Names in a folder with their numbers and kinds, in the order of their numbers, which stays
    /// as it is while others are removed.
    pub(super) fn list(&self, number: u64) -> Result<Vec<(u64, FileType, OsString)>, Errno> {
        let Some(Body::Folder { parent, entries }) = self.nodes.get(&number).map(|n| &n.body)
        else {
            return Err(Errno::ENOTDIR);
        };
        let kind = |child: u64| match self.nodes[&child].body {
            Body::Folder { .. } => FileType::Directory,
            Body::File(_) => FileType::RegularFile,
        };
        let mut list: Vec<_> = entries
            .iter()
            .map(|(name, &child)| (child, kind(child), name.clone()))
            .collect();
        list.sort_by_key(|entry: &(u64, FileType, OsString)| entry.0);
        let dots = [(number, "."), (*parent, "..")];
        let dots = dots.map(|(number, name)| (number, FileType::Directory, name.into()));
        Ok(dots.into_iter().chain(list).collect())
    }

    pub(super) fn change(
        &mut self,
        number: u64,
        perm: Option<u32>,
        owner: (Option<u32>, Option<u32>),
        now: SystemTime,
    ) -> Result<(), Errno> {
        let node = self.node(number)?;
        node.perm = perm.map_or(node.perm, |perm| perm as u16 & 0o7777);
        let (user, group) = node.owner;
        node.owner = (owner.0.unwrap_or(user), owner.1.unwrap_or(group));
        node.changed = now;
        Ok(())
    }

    /// Makes a file so long.
    pub(super) fn resize(&mut self, number: u64, length: u64) -> Result<(), Errno> {
        let before = self.content(number)?.bytes.len() as u64;
        let used = self.used - before + length;
        if used > self.capacity {
            return Err(Errno::ENOSPC);
        }
        self.used = used;
        let mut next = self.next_extent;
        let content = self.content(number)?;
        content.bytes.resize(length as usize, 0);
        let blocks = length.div_ceil(BLOCK);
        let extents = blocks.div_ceil(EXTENT) as usize;
        content.extents.resize_with(extents, || {
            next += 1;
            next - 1
        });
        content.stored.resize(blocks as usize, BLOCK);
        self.next_extent = next;
        let touched = before.min(length)..length;
        self.weigh(number, touched.start, touched.end)
    }

    /// Writes into a file, which grows as needed.
    pub(super) fn write(&mut self, number: u64, at: u64, data: &[u8]) -> Result<(), Errno> {
        let end = at + data.len() as u64;
        if end > self.content(number)?.bytes.len() as u64 {
            self.resize(number, end)?;
        }
        self.content(number)?.bytes[at as usize..end as usize].copy_from_slice(data);
        self.weigh(number, at, end)
    }

    /// At most `length` bytes of a file.
    pub(super) fn read(&mut self, number: u64, at: u64, length: u64) -> Result<Vec<u8>, Errno> {
        let bytes = &self.content(number)?.bytes;
        let all = bytes.len() as u64;
        let (from, to) = (at.min(all), (at + length).min(all));
        Ok(bytes[from as usize..to as usize].to_vec())
    }

    /// The blocks under a part of a file.
    pub(super) fn pieces(
        &mut self,
        number: u64,
        at: u64,
        length: u64,
    ) -> Result<Vec<Piece>, Errno> {
        let content = self.content(number)?;
        let end = at + length;
        let pieces = (at / BLOCK..end.div_ceil(BLOCK)).map(|block| {
            let (from, to) = (at.max(block * BLOCK), end.min((block + 1) * BLOCK));
            let extent = content.extents[(block / EXTENT) as usize];
            Piece {
                block: extent * EXTENT + block % EXTENT,
                bytes: to - from,
                stored: content.stored[block as usize],
            }
        });
        Ok(pieces.collect())
    }

    /// Finds out what the blocks from `at` to `end` take on the drives.
    fn weigh(&mut self, number: u64, at: u64, end: u64) -> Result<(), Errno> {
        if self.compression {
            let content = self.content(number)?;
            for block in at / BLOCK..end.div_ceil(BLOCK) {
                let from = (block * BLOCK) as usize;
                let to = content.bytes.len().min(from + BLOCK as usize);
                content.stored[block as usize] = stored(&content.bytes[from..to]);
            }
        }
        Ok(())
    }

    fn find(&self, parent: u64, name: &OsStr) -> Result<u64, Errno> {
        match self.nodes.get(&parent).map(|node| &node.body) {
            Some(Body::Folder { entries, .. }) => entries.get(name).copied().ok_or(Errno::ENOENT),
            Some(Body::File(_)) => Err(Errno::ENOTDIR),
            None => Err(Errno::ENOENT),
        }
    }

    fn node(&mut self, number: u64) -> Result<&mut Node, Errno> {
        self.nodes.get_mut(&number).ok_or(Errno::ENOENT)
    }

    fn entries(&mut self, number: u64) -> Result<&mut BTreeMap<OsString, u64>, Errno> {
        match &mut self.node(number)?.body {
            Body::Folder { entries, .. } => Ok(entries),
            Body::File(_) => Err(Errno::ENOTDIR),
        }
    }

    fn content(&mut self, number: u64) -> Result<&mut Content, Errno> {
        match &mut self.node(number)?.body {
            Body::File(content) => Ok(content),
            Body::Folder { .. } => Err(Errno::EISDIR),
        }
    }

    /// A removed file lives on while it is open.
    fn drop_unused(&mut self, number: u64) {
        let unused = |node: &Node| node.links == 0 && node.lookups == 0;
        if self.nodes.get(&number).is_some_and(unused)
            && let Some(Body::File(content)) = self.nodes.remove(&number).map(|node| node.body)
        {
            self.used -= content.bytes.len() as u64;
        }
    }
}

impl Node {
    fn new(body: Body, maker: Maker) -> Self {
        Self {
            links: if matches!(body, Body::File(_)) { 1 } else { 2 },
            body,
            perm: maker.perm as u16 & 0o7777,
            owner: maker.owner,
            changed: maker.now,
            lookups: 0,
        }
    }
}

/// What a compressing server stores of a block: nothing of zeros, and all of what hardly shrinks.
fn stored(block: &[u8]) -> u64 {
    if block.iter().all(|byte| *byte == 0) {
        return 0;
    }
    let mut packed = DeflateEncoder::new(Vec::new(), Compression::fast());
    packed.write_all(block).expect("memory takes it");
    let packed = packed.finish().expect("memory takes it").len() as u64;
    if packed < BLOCK / 8 * 7 {
        packed.next_multiple_of(512)
    } else {
        BLOCK
    }
}
