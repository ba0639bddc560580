//! From temperature to colour, and the bar that says which is which.

use super::canvas::{Canvas, Rectangle};
use super::crop::{Beyond, View};
use super::letters::Weight;
use super::palette::{INK, Palette, QUIET, STEPS};

/// Perceptually uniform colour maps of the family of S. van der Walt and N. Smith (2015), given to the public domain
/// (CC0), and cividis (Nunez, Anderton, Renslow 2018), which colour-blind readers see as others do. The tables are those
/// of the crate `colorous` (Apache-2.0).
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum ColourMap {
    /// Black over red to light yellow: warm looks warm.
    #[default]
    Inferno,
    /// Black over purple to light pink.
    Magma,
    /// Purple over green to yellow.
    Viridis,
    /// Blue over grey to yellow.
    Cividis,
}

impl ColourMap {
    /// The colour of a share of the span, 0 coldest to 1 hottest.
    pub(super) fn at(self, share: f64) -> [u8; 3] {
        let gradient = match self {
            Self::Inferno => colorous::INFERNO,
            Self::Magma => colorous::MAGMA,
            Self::Viridis => colorous::VIRIDIS,
            Self::Cividis => colorous::CIVIDIS,
        };
        gradient.eval_continuous(share.clamp(0.0, 1.0)).into_array()
    }

    /// The colours of 1024 equal steps of the span.
    pub fn table(self) -> Vec<[u8; 3]> {
        (0..1024).map(|i| self.at(f64::from(i) / 1023.0)).collect()
    }
}

/// The span of temperatures that the colours cover, deg C.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scale {
    pub(super) low: f64,
    pub(super) high: f64,
}

impl Scale {
    /// A smaller span would paint noise in bright colours.
    const MIN_SPAN_K: f64 = 4.0;

    /// Covers the module wholly and its neighbours nearly: the ground between rows and a neighbour's own fault may run
    /// out of the span. The sound modules come to lie in its lower middle, so that colder and hotter both show.
    pub(super) fn fit(view: &View, neighbours: &[[[f64; 2]; 4]]) -> Self {
        let (mut module, mut around) = view.samples(neighbours);
        let (coldest, hottest) = (quantile(&mut module, 0.02), quantile(&mut module, 1.0));
        let near = if around.is_empty() { &mut module } else { &mut around };
        let cold = quantile(near, 0.02).min(coldest);
        let hot = quantile(near, 0.995).max(hottest);
        let span = (hot - cold).max(Self::MIN_SPAN_K);
        Self { low: (cold - 0.4 * span).floor(), high: (cold + span).ceil() }
    }

    /// Draws the bar with its degrees; a point at an end says that the picture goes beyond it.
    pub(super) fn draw(&self, canvas: &mut Canvas, area: Rectangle, beyond: Beyond) {
        for y in area.y..area.bottom() {
            let share = (f64::from(area.bottom() - y) - 0.5) / f64::from(area.height);
            let step = Palette::step((share * (STEPS - 1) as f64) as f32);
            canvas.fill(Rectangle { y, height: 1, ..area }, step);
        }
        let half = area.width / 2;
        for i in 0..half {
            let tip = Rectangle { x: area.x + half - i, y: area.y - half + i, width: 2 * i.max(1), height: 1 };
            if beyond.hotter {
                canvas.fill(tip, Palette::step(STEPS as f32));
            }
            if beyond.colder {
                canvas.fill(Rectangle { y: area.bottom() + half - 1 - i, ..tip }, Palette::step(0.0));
            }
        }
        canvas.text(area.right() as f32 + 10.0, area.y as f32 - 30.0, 18.0, Weight::Bold, INK, "\u{b0}C");
        let span = self.high - self.low;
        let step = nice_step(span / 5.0);
        let first = (self.low / step).ceil() * step;
        // At most thirteen by the choice of the step.
        for tick in (0..14).map(|i| first + f64::from(i) * step).take_while(|tick| *tick <= self.high) {
            let y = f64::from(area.y) + (self.high - tick) / span * f64::from(area.height);
            let line = (y.round() as u32).clamp(area.y, area.bottom() - 2);
            canvas.fill(Rectangle { x: area.right(), y: line, width: 6, height: 2 }, QUIET);
            let label = minus(&format!("{tick:.0}"));
            canvas.text(area.right() as f32 + 11.0, y as f32 - 9.0, 18.0, Weight::Regular, INK, &label);
        }
    }
}

/// The figure with a true minus sign.
pub(super) fn minus(figure: &str) -> String {
    figure.replace('-', "\u{2212}")
}

/// The value under which a share of the values lies, which it brings into another order.
fn quantile(values: &mut [f32], share: f64) -> f64 {
    let index = (share * values.len().saturating_sub(1) as f64).round() as usize;
    if index < values.len() { f64::from(*values.select_nth_unstable_by(index, f32::total_cmp).1) } else { 0.0 }
}

/// The largest of 1, 2, 5 times a power of ten that is not over `step`, at least 1.
fn nice_step(step: f64) -> f64 {
    let power = 10_f64.powf(step.max(1.0).log10().floor());
    [5.0, 2.0].into_iter().map(|factor| factor * power).find(|nice| *nice <= step).unwrap_or(power)
}
