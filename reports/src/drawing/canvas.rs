//! The display list of one figure and its way through plotters' SVG backend.
//!
//! plotters takes whole-number coordinates; the backend therefore draws ten times finer than the
//! nominal size, and the header is rewritten here, in one place, to say so by `viewBox` and to add
//! role, title and description.

use plotters::prelude::{DrawingBackend, IntoFont, RGBColor, SVGBackend, ShapeStyle};
use plotters::style::TextStyle;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::text::{clean, width};
use super::theme::Ink;

/// Backend units to one px.
const FINER: f64 = 10.0;

/// A font of the reader's machine, whichever is there.
const FONTS: &str = "Helvetica,Arial,'Liberation Sans','DejaVu Sans',sans-serif";

/// A point, px from the upper left corner.
pub(crate) type Place = (f64, f64);

/// A rectangle, px.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Area {
    /// Left edge.
    pub(crate) left: f64,
    /// Upper edge.
    pub(crate) top: f64,
    /// Right edge.
    pub(crate) right: f64,
    /// Lower edge.
    pub(crate) bottom: f64,
}

impl Area {
    /// Width, px.
    pub(crate) fn width(self) -> f64 {
        self.right - self.left
    }

    /// Height, px.
    pub(crate) fn height(self) -> f64 {
        self.bottom - self.top
    }

    /// Whether two rectangles share more than an edge.
    pub(crate) fn meets(self, other: Self) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.top < other.bottom
            && other.top < self.bottom
    }

    /// Whether the other rectangle lies inside.
    pub(crate) fn holds(self, other: Self) -> bool {
        self.left <= other.left
            && self.right >= other.right
            && self.top <= other.top
            && self.bottom >= other.bottom
    }
}

/// How a text hangs on its place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Hang {
    /// The place is its left end.
    Right,
    /// The place is its middle.
    Middle,
    /// The place is its right end.
    Left,
}

/// A piece of text on its baseline.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Lettering {
    /// The words.
    pub(crate) text: String,
    /// The place on the baseline.
    pub(crate) at: Place,
    /// To which side of the place it runs.
    pub(crate) hang: Hang,
    /// Type size, px.
    pub(crate) size: f64,
    /// Weight.
    pub(crate) bold: bool,
    /// Colour.
    pub(crate) ink: Ink,
    /// Whether it gets a piece of paper under it.
    pub(crate) backed: bool,
}

impl Lettering {
    /// Plain label text.
    pub(crate) fn new(text: &str, at: Place, hang: Hang, size: f64, ink: Ink) -> Self {
        Self {
            text: clean(text),
            at,
            hang,
            size,
            bold: false,
            ink,
            backed: false,
        }
    }

    /// The same in bold.
    pub(crate) fn bold(mut self) -> Self {
        self.bold = true;
        self
    }

    /// The same with paper under it, for text over lines.
    pub(crate) fn backed(mut self) -> Self {
        self.backed = true;
        self
    }

    /// Upper estimate of the space it takes.
    pub(crate) fn extent(&self) -> Area {
        let wide = width(&self.text, self.size, self.bold);
        let left = match self.hang {
            Hang::Right => self.at.0,
            Hang::Middle => self.at.0 - wide / 2.0,
            Hang::Left => self.at.0 - wide,
        };
        Area {
            left,
            top: self.at.1 - self.size * 0.8,
            right: left + wide,
            bottom: self.at.1 + self.size * 0.25,
        }
    }
}

enum Mark {
    Line(Vec<Place>, Ink, f64),
    Polygon(Vec<Place>, Ink),
    Rectangle(Area, Ink),
    Disc(Place, f64, Ink),
    Ring(Place, f64, Ink, f64),
}

/// Everything drawn so far; text lies on top of marks.
pub(crate) struct Canvas {
    width: f64,
    height: f64,
    marks: Vec<Mark>,
    letters: Vec<Lettering>,
}

impl Canvas {
    /// An empty canvas of a nominal size, px.
    pub(crate) fn new(width: f64, height: f64) -> Self {
        Self {
            width,
            height,
            marks: Vec::new(),
            letters: Vec::new(),
        }
    }

    /// The whole canvas.
    pub(crate) fn area(&self) -> Area {
        Area {
            left: 0.0,
            top: 0.0,
            right: self.width,
            bottom: self.height,
        }
    }

    /// A line through places.
    pub(crate) fn line(&mut self, places: &[Place], ink: Ink, wide: f64) {
        if places.len() > 1 {
            self.marks.push(Mark::Line(places.to_vec(), ink, wide));
        }
    }

    /// A filled polygon.
    pub(crate) fn polygon(&mut self, places: Vec<Place>, ink: Ink) {
        if places.len() > 2 {
            self.marks.push(Mark::Polygon(places, ink));
        }
    }

    /// A filled rectangle.
    pub(crate) fn rectangle(&mut self, area: Area, ink: Ink) {
        self.marks.push(Mark::Rectangle(area, ink));
    }

    /// A filled disc.
    pub(crate) fn disc(&mut self, at: Place, radius: f64, ink: Ink) {
        self.marks.push(Mark::Disc(at, radius, ink));
    }

    /// An open ring, paper inside.
    pub(crate) fn ring(&mut self, at: Place, radius: f64, ink: Ink, wide: f64) {
        self.marks.push(Mark::Disc(at, radius, Ink::Paper));
        self.marks.push(Mark::Ring(at, radius, ink, wide));
    }

    /// A triangle: the point looks up for a high value, down for a low one.
    pub(crate) fn triangle(&mut self, at: Place, radius: f64, up: bool, ink: Ink) {
        let turn = if up { -1.0 } else { 1.0 };
        let (x, y) = at;
        self.polygon(
            vec![
                (x, y + turn * radius * 1.15),
                (x - radius, y - turn * radius * 0.75),
                (x + radius, y - turn * radius * 0.75),
            ],
            ink,
        );
    }

    /// A diamond.
    pub(crate) fn diamond(&mut self, (x, y): Place, radius: f64, ink: Ink) {
        self.polygon(
            vec![
                (x, y - radius),
                (x + radius, y),
                (x, y + radius),
                (x - radius, y),
            ],
            ink,
        );
    }

    /// Text.
    pub(crate) fn write(&mut self, lettering: Lettering) {
        if !lettering.text.is_empty() {
            self.letters.push(lettering);
        }
    }

    /// Whether a space inside the canvas is free of text.
    pub(crate) fn is_free(&self, space: Area) -> bool {
        self.area().holds(space)
            && self
                .letters
                .iter()
                .all(|letter| !letter.extent().meets(space))
    }

    /// Draws everything through plotters and completes the header.
    pub(crate) fn render(&self, title: &str, description: &str) -> Result<String, std::io::Error> {
        let mut body = String::new();
        {
            let size = (fine_size(self.width), fine_size(self.height));
            let mut backend = SVGBackend::with_string(&mut body, size);
            let drawn = self.draw(&mut backend);
            backend.present().map_err(plain)?;
            drawn?;
        }
        Ok(self.complete(&body, title, description))
    }

    fn draw(&self, backend: &mut SVGBackend<'_>) -> Result<(), std::io::Error> {
        fill(backend, self.area(), Ink::Paper)?;
        for mark in &self.marks {
            match mark {
                Mark::Line(places, ink, wide) => {
                    let style = shape(*ink, *wide, false);
                    match places.as_slice() {
                        [from, to] => backend.draw_line(fine(*from), fine(*to), &style),
                        more => backend.draw_path(more.iter().map(|place| fine(*place)), &style),
                    }
                    .map_err(plain)?;
                }
                Mark::Polygon(places, ink) => backend
                    .fill_polygon(
                        places.iter().map(|place| fine(*place)),
                        &shape(*ink, 0.0, true),
                    )
                    .map_err(plain)?,
                Mark::Rectangle(area, ink) => fill(backend, *area, *ink)?,
                Mark::Disc(at, radius, ink) => backend
                    .draw_circle(fine(*at), fine_size(*radius), &shape(*ink, 0.0, true), true)
                    .map_err(plain)?,
                Mark::Ring(at, radius, ink, wide) => backend
                    .draw_circle(
                        fine(*at),
                        fine_size(*radius),
                        &shape(*ink, *wide, false),
                        false,
                    )
                    .map_err(plain)?,
            }
        }
        for letter in &self.letters {
            if letter.backed {
                fill(backend, letter.extent(), Ink::Paper)?;
            }
        }
        for letter in &self.letters {
            write(backend, letter)?;
        }
        Ok(())
    }

    /// The one place where the backend's text is changed: its header is replaced, and attributes
    /// that repeat a default are left out. Labels cannot be hit, since quotes in them are escaped.
    fn complete(&self, body: &str, title: &str, description: &str) -> String {
        let inside = body
            .split_once('>')
            .map_or("", |(_, inside)| inside.trim_start());
        let inside = inside
            .replace(" opacity=\"1\"", "")
            .replace(" stroke=\"none\"", "")
            .replace(" stroke-width=\"0\"", "")
            .replace(" font-family=\"sans-serif\"", "")
            .replace(" text-anchor=\"start\"", "")
            .replace(" \"/>", "\"/>")
            .replace("\">\n", "\">")
            .replace("\n</text>", "</text>");
        let (wide, high) = (self.width, self.height);
        let (fine_wide, fine_high) = (fine_size(wide), fine_size(high));
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" width=\"{wide:.0}\" height=\"{high:.0}\" \
             viewBox=\"0 0 {fine_wide} {fine_high}\" font-family=\"{FONTS}\">\n\
             <title>{}</title>\n<desc>{}</desc>\n{inside}",
            escape(&clean(title)),
            escape(&clean(description)),
        )
    }
}

/// Escapes text for XML.
pub(crate) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '&' => out.push_str("&amp;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            other => out.push(other),
        }
    }
    out
}

fn plain(error: impl std::fmt::Display) -> std::io::Error {
    std::io::Error::other(error.to_string())
}

fn shape(ink: Ink, wide: f64, filled: bool) -> ShapeStyle {
    let (red, green, blue) = ink.rgb();
    ShapeStyle {
        color: RGBColor(red, green, blue).into(),
        filled,
        stroke_width: fine_size(wide),
    }
}

fn fill(backend: &mut SVGBackend<'_>, area: Area, ink: Ink) -> Result<(), std::io::Error> {
    backend
        .draw_rect(
            fine((area.left, area.top)),
            fine((area.right, area.bottom)),
            &shape(ink, 0.0, true),
            true,
        )
        .map_err(plain)
}

fn write(backend: &mut SVGBackend<'_>, letter: &Lettering) -> Result<(), std::io::Error> {
    let (red, green, blue) = letter.ink.rgb();
    // The backend divides the size by 1.24 and sets "top" text 0.76 em below its place.
    let size = letter.size * FINER * 1.24;
    let font = if letter.bold {
        ("sans-serif", size)
            .into_font()
            .style(plotters::style::FontStyle::Bold)
    } else {
        ("sans-serif", size).into_font()
    };
    let across = match letter.hang {
        Hang::Right => HPos::Left,
        Hang::Middle => HPos::Center,
        Hang::Left => HPos::Right,
    };
    let colour = RGBColor(red, green, blue);
    let style = TextStyle::from(font)
        .color(&colour)
        .pos(Pos::new(across, VPos::Top));
    let top = (letter.at.0, letter.at.1 - 0.76 * letter.size);
    backend
        .draw_text(&letter.text, &style, fine(top))
        .map_err(plain)
}

fn fine((x, y): Place) -> (i32, i32) {
    ((x * FINER).round() as i32, (y * FINER).round() as i32)
}

fn fine_size(size: f64) -> u32 {
    (size * FINER).round() as u32
}
