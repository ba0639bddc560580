//! The picture of a finding: the module with its neighbours, its outline, a colour bar in deg C, a length scale and the
//! figures in words, for a reader who was not there.

mod canvas;
mod colour;
mod crop;
mod enlarge;
mod figures;
mod letters;
mod palette;
mod picture;

use ndarray::ArrayView2;

use crate::Result;
use crate::finding::Finding;
use crate::settings::Settings;

use canvas::{Canvas, Rectangle};
pub use colour::ColourMap;
use colour::Scale;
use crop::View;
pub use figures::{Figure, figures};
pub(crate) use figures::{cells, title};
use letters::Weight;
use palette::{BLACK, INK, QUIET, RULE, THIN, WHITE};
pub use picture::Picture;

/// How the pictures look.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Style {
    /// Colours of the temperatures.
    pub colour_map: ColourMap,
}

/// Size of a picture, px: at the width of a printed page its text is as large as that of a book.
const WIDTH: u32 = 1280;
const HEIGHT: u32 = 800;
const MARGIN: f32 = 36.0;
/// The enlarged part of the frame.
const PANEL: Rectangle = Rectangle { x: 36, y: 128, width: 640, height: 560 };
/// The colour bar beside it.
const BAR: Rectangle = Rectangle { x: 696, y: 152, width: 22, height: 512 };
/// The part of a picture with the frame and its colour bar but no words: x, y, width, height.
pub(crate) const PICTURE_PART: [u32; 4] = [36, 118, 738, 582];
/// The words.
const WORDS_X: f32 = 824.0;
const LABEL_WIDTH: f32 = 148.0;

/// Draws the evidence of a finding.
///
/// * `celsius`: the frame, rows by columns, deg C; NaN where there is no value.
/// * `finding`: `finding.module.corners` are the module's corners in the frame's pixels.
/// * `neighbours`: corners of the other outlines of the frame, in the same pixels; those out of the view do no harm.
/// * `settings`: the module's size, for the length scale; the site's name.
///
/// The picture is turned so that the upper edge of the row is up.
///
/// # Errors
/// [`crate::Error::Argument`] where the corners enclose no area or lie outside the frame.
pub fn render(
    celsius: &ArrayView2<'_, f32>,
    finding: &Finding,
    neighbours: &[[[f64; 2]; 4]],
    settings: &Settings,
    style: &Style,
) -> Result<Picture> {
    let view = View::around(celsius, finding, PANEL)?;
    let scale = Scale::fit(&view, neighbours);
    let mut canvas = Canvas::new(WIDTH, HEIGHT, style.colour_map)?;
    heading(&mut canvas, finding, settings);
    let beyond = view.draw(&mut canvas, &scale);
    outlines(&mut canvas, &view, finding, neighbours);
    scale.draw(&mut canvas, BAR, beyond);
    below(&mut canvas, &view, settings, beyond.outside);
    words(&mut canvas, finding);
    Ok(canvas.finish())
}

/// What it is and where.
fn heading(canvas: &mut Canvas, finding: &Finding, settings: &Settings) {
    let right = WIDTH as f32 - MARGIN;
    let id = canvas.fit(&finding.finding, 34.0, Weight::Bold, 0.4 * right);
    let id_width = canvas.text_width(&id, 34.0, Weight::Bold);
    canvas.text(right - id_width, 30.0, 34.0, Weight::Bold, QUIET, &id);
    let title = canvas.fit(title(finding.module.pattern), 34.0, Weight::Bold, right - id_width - 2.0 * MARGIN);
    canvas.text(MARGIN, 30.0, 34.0, Weight::Bold, INK, &title);
    let place = canvas.fit(&figures::place(finding, &settings.site.name), 20.0, Weight::Regular, right - MARGIN);
    canvas.text(MARGIN, 74.0, 20.0, Weight::Regular, QUIET, &place);
    canvas.fill(Rectangle { x: PANEL.x, y: 112, width: WIDTH - 2 * PANEL.x, height: 1 }, RULE);
}

/// The module's outline in one heavy line, its neighbours' in thin ones, and a ring around the hottest place of a small
/// pattern.
fn outlines(canvas: &mut Canvas, view: &View, finding: &Finding, neighbours: &[[[f64; 2]; 4]]) {
    for corners in neighbours.iter().filter(|corners| view.shows(corners)) {
        canvas.outline(&corners.map(|corner| view.to_picture(corner)), 1.2, THIN, PANEL);
    }
    let corners = finding.module.corners.map(|corner| view.to_picture(corner));
    canvas.outline(&corners, 7.0, BLACK, PANEL);
    canvas.outline(&corners, 3.4, WHITE, PANEL);
    if let Some((middle, radius)) = view.hottest() {
        let ring: Vec<_> = (0..60)
            .map(|i| {
                let (sin, cos) = (f64::from(i) * std::f64::consts::TAU / 60.0).sin_cos();
                [middle[0] + radius * cos, middle[1] + radius * sin]
            })
            .collect();
        canvas.outline(&ring, 5.0, BLACK, PANEL);
        canvas.outline(&ring, 2.2, WHITE, PANEL);
    }
}

/// The length scale and what the lines mean.
fn below(canvas: &mut Canvas, view: &View, settings: &Settings, outside: bool) {
    let y = PANEL.bottom() + 18;
    let mut x = PANEL.x as f32;
    if let Some((length_m, length_px)) = view.length_scale(settings) {
        let width = length_px.round() as u32;
        canvas.fill(Rectangle { x: PANEL.x, y: y + 6, width, height: 4 }, INK);
        for end in [PANEL.x, PANEL.x + width.saturating_sub(2)] {
            canvas.fill(Rectangle { x: end, y, width: 2, height: 16 }, INK);
        }
        let words = format!("{length_m} m along the row");
        x += length_px as f32 + 12.0;
        canvas.text(x, y as f32 - 2.0, 18.0, Weight::Regular, INK, &words);
    }
    let mut legend = "Heavy line: the module. Thin lines: neighbours. ".to_owned();
    if view.rings() {
        legend += "Ring: hottest place. ";
    }
    legend += "Row\u{2019}s upper edge up.";
    if outside {
        legend += " Hatched: outside the frame.";
    }
    for (i, line) in canvas.wrap(&legend, 16.0, Weight::Regular, PANEL.width as f32).iter().enumerate() {
        canvas.text(PANEL.x as f32, (y + 28) as f32 + 21.0 * i as f32, 16.0, Weight::Regular, QUIET, line);
    }
}

/// The column of figures; the page grows where they need more room.
fn words(canvas: &mut Canvas, finding: &Finding) {
    let width = WIDTH as f32 - MARGIN - WORDS_X;
    let mut y = 124.0;
    for (figure, meaning) in figures::headline(finding) {
        canvas.text(WORDS_X, y, 44.0, Weight::Bold, INK, &figure);
        y += 50.0;
        for line in canvas.wrap(&meaning, 18.0, Weight::Regular, width) {
            canvas.text(WORDS_X, y, 18.0, Weight::Regular, QUIET, &line);
            y += 23.0;
        }
        y += 8.0;
    }
    canvas.fill(Rectangle { x: WORDS_X as u32, y: y as u32, width: width as u32, height: 1 }, RULE);
    y += 12.0;
    for Figure { label, value } in figures(finding) {
        let lines = canvas.wrap(&value, 18.0, Weight::Regular, width - LABEL_WIDTH);
        canvas.grow((y + 23.0 * lines.len() as f32 + MARGIN) as u32);
        canvas.text(WORDS_X, y, 18.0, Weight::Regular, QUIET, label);
        for line in lines {
            canvas.text(WORDS_X + LABEL_WIDTH, y, 18.0, Weight::Regular, INK, &line);
            y += 23.0;
        }
        y += 6.0;
    }
}

#[cfg(test)]
mod tests;
