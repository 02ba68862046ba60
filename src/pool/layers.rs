//! Cutting drives of unequal size into layers, so that each layer is a pool of equal parts.

use crate::units::Bytes;

/// A stripe of the same height over some of the drives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Layer {
    /// Bytes of each drive in it.
    pub height: Bytes,
    /// Drives in it.
    pub drives: u32,
}

/// Layers over drives of `sizes` from the bottom up, each as high as the smallest drive that reaches
/// above the one below, as long as more drives reach than there is `parity`. With one drive more than
/// parity a layer is a mirror.
pub(super) fn slice(sizes: &[Bytes], parity: u32) -> Vec<Layer> {
    let mut sorted = sizes.to_vec();
    sorted.sort_unstable();
    let mut layers = Vec::new();
    let mut below = Bytes(0);
    for (index, size) in sorted.iter().enumerate() {
        let drives = u32::try_from(sorted.len() - index).unwrap_or(u32::MAX);
        let height = size.saturating_sub(below);
        if height > Bytes(0) && drives > parity {
            layers.push(Layer { height, drives });
        }
        below = *size;
    }
    layers
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_drives_make_one_layer_and_a_lone_rest_makes_none() {
        let layer = |height, drives| Layer {
            height: Bytes(height),
            drives,
        };
        assert_eq!(slice(&[Bytes(5); 3], 1), [layer(5, 3)]);
        let mixed = [Bytes(9), Bytes(4), Bytes(6), Bytes(4)];
        assert_eq!(slice(&mixed, 1), [layer(4, 4), layer(2, 2)]);
        assert_eq!(slice(&mixed, 2), [layer(4, 4)]);
    }
}
