//! Memory for working images, used again from frame to frame: given back, the allocator would hand pieces of this size to the
//! system, which clears them anew for the next frame.

use std::cell::RefCell;
use std::ops::{Deref, DerefMut};

thread_local! {
    /// Memory that nothing uses at the moment.
    static FREE: RefCell<Vec<Vec<f32>>> = const { RefCell::new(Vec::new()) };
}

/// Values of a working image; its memory serves another one afterwards.
#[derive(Debug)]
pub(crate) struct Buffer(Vec<f32>);

impl Buffer {
    /// So many zeros.
    pub(crate) fn zeros(count: usize) -> Self {
        let mut buffer = Self::any(count);
        buffer.fill(0.0);
        buffer
    }

    /// So many values of which each is going to be written: what an earlier image left.
    pub(crate) fn any(count: usize) -> Self {
        let mut values = FREE.with_borrow_mut(Vec::pop).unwrap_or_default();
        values.resize(count, 0.0);
        Self(values)
    }
}

impl Drop for Buffer {
    fn drop(&mut self) {
        let values = std::mem::take(&mut self.0);
        // At the end of a thread its list may be gone already.
        let _ = FREE.try_with(|free| free.borrow_mut().push(values));
    }
}

impl Deref for Buffer {
    type Target = [f32];

    fn deref(&self) -> &[f32] {
        &self.0
    }
}

impl DerefMut for Buffer {
    fn deref_mut(&mut self) -> &mut [f32] {
        &mut self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn memory_comes_back_and_zeros_are_zeros() {
        let mut first = Buffer::any(100);
        first.fill(7.0);
        let place = first.as_ptr();
        drop(first);
        let second = Buffer::zeros(80);
        assert_eq!(second.as_ptr(), place);
        assert_eq!(*second, [0.0; 80]);
    }
}
