//! Memory for working images, used again from frame to frame: given back, the allocator would hand pieces of this size to the
//! system, which clears them anew for the next frame.

use std::cell::RefCell;
use std::ops::{Deref, DerefMut};
use std::thread::LocalKey;

/// What working images hold.
pub(crate) trait Value: Copy + Default + 'static {
    /// Memory that nothing uses at the moment.
    const FREE: &'static LocalKey<RefCell<Vec<Vec<Self>>>>;
}

macro_rules! value {
    ($type:ty) => {
        impl Value for $type {
            const FREE: &'static LocalKey<RefCell<Vec<Vec<Self>>>> = {
                thread_local! {
                    static FREE: RefCell<Vec<Vec<$type>>> = const { RefCell::new(Vec::new()) };
                }
                &FREE
            };
        }
    };
}
value!(f32);
value!(u8);

/// Values of a working image; its memory serves another one afterwards.
#[derive(Debug)]
pub(crate) struct Buffer<T: Value = f32>(Vec<T>);

impl<T: Value> Buffer<T> {
    /// So many zeros.
    pub(crate) fn zeros(count: usize) -> Self {
        let mut buffer = Self::any(count);
        buffer.fill(T::default());
        buffer
    }

    /// So many values of which each is going to be written: what an earlier image left.
    pub(crate) fn any(count: usize) -> Self {
        let mut buffer = Self(T::FREE.with_borrow_mut(Vec::pop).unwrap_or_default());
        buffer.resize(count, T::default());
        buffer
    }

    /// As many of them, what is new being `value`.
    pub(crate) fn resize(&mut self, count: usize, value: T) {
        self.0.resize(count, value);
    }
}

impl<T: Value> Drop for Buffer<T> {
    fn drop(&mut self) {
        let values = std::mem::take(&mut self.0);
        // At the end of a thread its list may be gone already.
        let _ = T::FREE.try_with(|free| free.borrow_mut().push(values));
    }
}

impl<T: Value> Deref for Buffer<T> {
    type Target = [T];

    fn deref(&self) -> &[T] {
        &self.0
    }
}

impl<T: Value> DerefMut for Buffer<T> {
    fn deref_mut(&mut self) -> &mut [T] {
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
