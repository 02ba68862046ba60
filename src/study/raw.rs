//! The files that a study is read from, by content.

use std::io::{self, Read};

use serde::Serialize;

/// One file as it was when a report was made of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct RawFile {
    /// Its name, relative to the study.
    pub name: String,
    /// How long it was. Tables only grow, so the same bytes are found later at its begin.
    pub bytes: u64,
    /// BLAKE3 of these bytes, in hexadecimal digits (as `b3sum` prints it).
    pub blake3: String,
}

impl RawFile {
    /// The file `name`, which holds what `content` gives; it may be larger than memory.
    ///
    /// # Errors
    /// When that does not come.
    pub fn of(name: impl Into<String>, content: impl Read) -> io::Result<Self> {
        let mut hasher = blake3::Hasher::new();
        hasher.update_reader(content)?;
        Ok(Self {
            name: name.into(),
            bytes: hasher.count(),
            blake3: hasher.finalize().to_hex().to_string(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digests_are_those_of_the_published_vectors() {
        // BLAKE3 test vectors (github.com/BLAKE3-team/BLAKE3, test_vectors.json): no bytes, and the byte 0.
        let digest = |content: &[u8]| RawFile::of("x", content).unwrap().blake3;
        let empty = "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262";
        let zero = "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213";
        assert_eq!((digest(b"").as_str(), digest(&[0]).as_str()), (empty, zero));
    }
}
