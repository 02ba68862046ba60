//! Memory for transfers: aligned to 2 MiB, on huge pages where the kernel gives them, touched before
//! the clock starts. With small pages, pinning them for each operation can limit the rate of large
//! blocks by itself.
#![expect(
    unsafe_code,
    reason = "aligned allocation and madvise have no safe interface"
)]

use std::alloc::{Layout, alloc, dealloc, handle_alloc_error};
use std::ptr::NonNull;

const HUGE: usize = 2 << 20;

/// Buffers of equal size.
pub(super) struct Buffers {
    base: NonNull<u8>,
    layout: Layout,
    block: usize,
    /// From one buffer to the next.
    stride: usize,
    count: usize,
}

// SAFETY: the allocation belongs to this value alone and goes where it goes.
unsafe impl Send for Buffers {}

impl Buffers {
    /// `count` buffers of `block` bytes, each at a multiple of `alignment`, which divides 2 MiB.
    pub(super) fn new(count: usize, block: usize, alignment: usize) -> Self {
        assert!(HUGE.is_multiple_of(alignment), "{alignment}");
        let stride = block.next_multiple_of(alignment);
        let size = (count * stride).max(1).next_multiple_of(HUGE);
        let layout = Layout::from_size_align(size, HUGE).expect("a valid workload fits in memory");
        // SAFETY: the layout has a size above 0; a null pointer is handled; madvise only gives
        // advice on memory that is ours; write_bytes stays within it and makes it initialised.
        unsafe {
            let Some(base) = NonNull::new(alloc(layout)) else {
                handle_alloc_error(layout)
            };
            #[cfg(target_os = "linux")]
            libc::madvise(base.as_ptr().cast(), size, libc::MADV_HUGEPAGE);
            base.as_ptr().write_bytes(0xa5, size);
            Self {
                base,
                layout,
                block,
                stride,
                count,
            }
        }
    }

    /// Buffer number `index`.
    pub(super) fn get(&mut self, index: usize) -> &mut [u8] {
        assert!(index < self.count);
        // SAFETY: the range lies in the allocation, is initialised, and `&mut self` makes the
        // slice the only reference to it.
        unsafe {
            std::slice::from_raw_parts_mut(self.base.as_ptr().add(index * self.stride), self.block)
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
        unsafe { self.base.as_ptr().add(index * self.stride) }
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

impl Drop for Buffers {
    fn drop(&mut self) {
        // SAFETY: allocated with this layout in `new`.
        unsafe { dealloc(self.base.as_ptr(), self.layout) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
