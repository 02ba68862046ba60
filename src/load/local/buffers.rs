//! Memory for transfers: aligned to 2 MiB, on huge pages where the kernel gives them, touched before
//! the clock starts. With small pages, pinning them for each operation can limit the rate of large
//! blocks by itself.
#![expect(
    unsafe_code,
    reason = "fresh aligned memory and madvise have no safe interface"
)]

use std::alloc::{Layout, handle_alloc_error};
use std::ptr::NonNull;

const HUGE: usize = 2 << 20;

/// Buffers of equal size.
pub(super) struct Buffers {
    memory: Memory,
    block: usize,
    /// From one buffer to the next.
    stride: usize,
    count: usize,
}

impl Buffers {
    /// `count` buffers of `block` bytes, each at a multiple of `alignment`, which divides 2 MiB.
    pub(super) fn new(count: usize, block: usize, alignment: usize) -> Self {
        assert!(HUGE.is_multiple_of(alignment), "{alignment}");
        let stride = block.next_multiple_of(alignment);
        let size = (count * stride).max(1).next_multiple_of(HUGE);
        Self {
            memory: Memory::new(size),
            block,
            stride,
            count,
        }
    }

    /// Buffer number `index`.
    pub(super) fn get(&mut self, index: usize) -> &mut [u8] {
        assert!(index < self.count);
        // SAFETY: the range lies in the allocation, is initialised, and `&mut self` makes the
        // slice the only reference to it.
        unsafe {
            std::slice::from_raw_parts_mut(
                self.memory.base.as_ptr().add(index * self.stride),
                self.block,
            )
        }
    }

    /// The address of buffer number `index`, for the kernel.
    #[cfg_attr(
        not(target_os = "linux"),
        expect(dead_code, reason = "only rings ask for it")
    )]
    pub(super) fn address(&self, index: usize) -> *mut u8 {
        assert!(index < self.count);
        // SAFETY: the offset lies in the allocation.
        unsafe { self.memory.base.as_ptr().add(index * self.stride) }
    }

    /// Bytes of one buffer.
    #[cfg_attr(
        not(target_os = "linux"),
        expect(dead_code, reason = "only rings ask for it")
    )]
    pub(super) fn block(&self) -> usize {
        self.block
    }
}

/// Initialised memory that begins at a multiple of [`HUGE`].
#[cfg(target_os = "linux")]
struct Memory {
    base: NonNull<u8>,
    /// What is mapped: more than is used, so that a multiple lies in it.
    mapped: (*mut std::ffi::c_void, usize),
}

#[cfg(target_os = "linux")]
impl Memory {
    /// Mapped, not allocated: an allocator hands freed memory out again, with the small pages that it
    /// has by then.
    fn new(size: usize) -> Self {
        use rustix::mm::{Advice, MapFlags, ProtFlags, madvise, mmap_anonymous};

        let (length, access) = (size + HUGE, ProtFlags::READ | ProtFlags::WRITE);
        // SAFETY: a mapping at a place of the kernel's choice takes nothing that is in use; advice
        // and write_bytes stay within it.
        unsafe {
            let mapped = mmap_anonymous(std::ptr::null_mut(), length, access, MapFlags::PRIVATE)
                .unwrap_or_else(|_| handle_alloc_error(layout(size)));
            let base = mapped.cast::<u8>();
            let base = base.add(base.align_offset(HUGE));
            // Without huge pages it is slower, and as good.
            let _ = madvise(base.cast(), size, Advice::LinuxHugepage);
            base.write_bytes(0xa5, size);
            Self {
                base: NonNull::new_unchecked(base),
                mapped: (mapped, length),
            }
        }
    }
}

#[cfg(target_os = "linux")]
impl Drop for Memory {
    fn drop(&mut self) {
        let (mapped, length) = self.mapped;
        // SAFETY: mapped in `new` with this length, and no buffer outlives it.
        // A mapping that stays costs memory and nothing else.
        let _ = unsafe { rustix::mm::munmap(mapped, length) };
    }
}

/// Initialised memory that begins at a multiple of [`HUGE`].
#[cfg(not(target_os = "linux"))]
struct Memory {
    base: NonNull<u8>,
    size: usize,
}

#[cfg(not(target_os = "linux"))]
impl Memory {
    fn new(size: usize) -> Self {
        // SAFETY: the layout has a size above 0; a null pointer is handled; write_bytes stays within.
        unsafe {
            let Some(base) = NonNull::new(std::alloc::alloc(layout(size))) else {
                handle_alloc_error(layout(size))
            };
            base.as_ptr().write_bytes(0xa5, size);
            Self { base, size }
        }
    }
}

#[cfg(not(target_os = "linux"))]
impl Drop for Memory {
    fn drop(&mut self) {
        // SAFETY: allocated with this layout in `new`.
        unsafe { std::alloc::dealloc(self.base.as_ptr(), layout(self.size)) }
    }
}

// SAFETY: the memory belongs to this value alone and goes where it goes.
unsafe impl Send for Memory {}

fn layout(size: usize) -> Layout {
    Layout::from_size_align(size, HUGE).expect("a valid workload fits in memory")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Kernels without huge pages say so in this file, or have none.
    #[cfg(target_os = "linux")]
    fn huge_pages_are_given() -> bool {
        std::fs::read_to_string("/sys/kernel/mm/transparent_hugepage/enabled")
            .is_ok_and(|modes| !modes.contains("[never]"))
    }

    /// KiB of huge pages below `address`, as the kernel tells it.
    #[cfg(target_os = "linux")]
    fn huge_kib(address: usize) -> u64 {
        let maps = std::fs::read_to_string("/proc/self/smaps").unwrap();
        let mut inside = false;
        for line in maps.lines() {
            let first = line.split(' ').next().unwrap_or_default();
            if let Some((from, to)) = first.split_once('-') {
                let edges = [from, to].map(|edge| usize::from_str_radix(edge, 16));
                inside = matches!(edges, [Ok(from), Ok(to)] if (from..to).contains(&address));
            } else if inside && let Some(size) = line.strip_prefix("AnonHugePages:") {
                return size.trim().trim_end_matches(" kB").parse().unwrap();
            }
        }
        0
    }

    #[cfg(target_os = "linux")]
    #[test]
    #[expect(clippy::print_stderr, reason = "it says why it is skipped")]
    fn memory_that_was_in_use_before_does_not_come_back_in_small_pages() {
        if !huge_pages_are_given() {
            eprintln!("skipped: this kernel gives no huge pages");
            return;
        }
        let huge = |_| {
            // An allocator that has had this back keeps it, in small pages.
            drop(std::hint::black_box(vec![1_u8; 12 << 20]));
            let buffers = Buffers::new(8, 1 << 20, 4096);
            huge_kib(buffers.address(0) as usize)
        };
        let given: Vec<u64> = (0..4).map(huge).collect();
        // The kernel may be short of huge pages at one moment, not always.
        assert!(given.iter().any(|kib| *kib >= 8192), "{given:?}");
    }

    #[test]
    fn buffers_are_aligned_and_apart() {
        let mut buffers = Buffers::new(3, 4096, 512);
        buffers.get(0).fill(1);
        buffers.get(2).fill(2);
        assert!(buffers.get(0).iter().all(|byte| *byte == 1));
        assert_eq!(buffers.address(1) as usize % 4096, 0);
        assert_eq!(buffers.address(0) as usize % HUGE, 0);
        let mut wide = Buffers::new(3, 4096, 65_536);
        assert_eq!(wide.address(2) as usize % 65_536, 0);
        assert_eq!(wide.get(2).len(), 4096);
    }
}
