//! A picture as PNG, for places that show no SVG.
//!
//! Text is set in a font of our own, so that a picture is the same to the pixel on every machine.

use std::sync::Arc;

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{self, Options, Tree};

use super::palette::standalone;

/// DejaVu Sans, cut down to Latin, Greek and the signs that pictures use; see `font/LICENSE`.
const FONT: &[u8] = include_bytes!("font/DejaVuSans-subset.ttf");
const FAMILY: &str = "DejaVu Sans";
/// Pixels for each unit of the picture: sharp on paper and on dense screens.
const SCALE: f32 = 2.0;

/// Draws pictures, with the font loaded once.
pub struct Painter(Options<'static>);

impl Default for Painter {
    fn default() -> Self {
        let mut fonts = usvg::fontdb::Database::new();
        fonts.load_font_data(FONT.to_vec());
        for set in [
            usvg::fontdb::Database::set_sans_serif_family,
            usvg::fontdb::Database::set_serif_family,
            usvg::fontdb::Database::set_monospace_family,
        ] {
            set(&mut fonts, FAMILY);
        }
        Self(Options {
            font_family: FAMILY.to_owned(),
            fontdb: Arc::new(fonts),
            ..Options::default()
        })
    }
}

impl Painter {
    /// `svg`, a picture of this module, as PNG in light colours, two pixels for each of its units.
    ///
    /// # Errors
    /// A sentence, when it is no such picture.
    pub fn png(&self, svg: &str) -> Result<Vec<u8>, String> {
        let tree = Tree::from_str(&standalone(svg), &self.0)
            .map_err(|error| format!("a picture cannot be drawn as PNG: {error}"))?;
        let size = tree.size();
        let pixels = |units: f32| (units * SCALE).round() as u32;
        let mut map = Pixmap::new(pixels(size.width()), pixels(size.height()))
            .ok_or("a picture has no size")?;
        let scale = Transform::from_scale(SCALE, SCALE);
        resvg::render(&tree, scale, &mut map.as_mut());
        map.encode_png()
            .map_err(|error| format!("a picture cannot be packed as PNG: {error}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Width and height as the header tells them (PNG specification, third edition, 11.2.1).
    fn size(png: &[u8]) -> (u32, u32) {
        assert_eq!(&png[..8], b"\x89PNG\r\n\x1a\n");
        let word = |at: usize| u32::from_be_bytes(png[at..at + 4].try_into().unwrap());
        (word(16), word(20))
    }

    #[test]
    fn a_picture_has_twice_its_size_and_its_text_is_drawn() {
        let picture = |text: &str| {
            let svg = format!(
                "<svg width=\"60\" height=\"20\" viewBox=\"0 0 60 20\" xmlns=\"http://www.w3.org/2000/svg\" font-family=\"sans-serif\"><rect x=\"0\" y=\"0\" width=\"60\" height=\"20\" fill=\"var(--paper)\"/><text x=\"4\" y=\"14\" font-size=\"12\" fill=\"var(--ink)\">{text}</text></svg>"
            );
            Painter::default().png(&svg).unwrap()
        };
        let (written, bare) = (picture("µ → ÷"), picture(""));
        assert_eq!(size(&written), (120, 40));
        assert_ne!(written, bare);
        assert_eq!(written, picture("µ → ÷"));
    }

    #[test]
    fn what_is_no_picture_is_refused() {
        assert!(Painter::default().png("<p>").is_err());
    }
}
