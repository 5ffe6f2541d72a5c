//! The margin bar: the place of a value between its limits, or beyond an end if the value is outside.

use maud::{Markup, html};

/// The bar as text: `[===o===]`, `[=======]o` beyond the upper limit, `o[=======]` beyond the lower one. `place` is 0 at the lower and 1 at
/// the upper limit; the text is empty if it is `None` or not finite.
pub fn margin_bar_text(place: Option<f64>) -> String {
    const CELLS: usize = 7;
    let Some(place) = place.filter(|place| place.is_finite()) else { return String::new() };
    if place < 0.0 {
        return format!("o[{}]", "=".repeat(CELLS));
    }
    if place > 1.0 {
        return format!("[{}]o", "=".repeat(CELLS));
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "place is 0..=1")]
    let cell = ((place * 7.0) as usize).min(CELLS - 1);
    let cells: String = (0..CELLS).map(|index| if index == cell { 'o' } else { '=' }).collect();
    format!("[{cells}]")
}

/// The bar as SVG, 120 × 14 px: limits as posts, the middle as a line, the value as a disc, its uncertainty as a stroke. Empty if `place`
/// is `None` or not finite.
pub fn margin_bar_svg(place: Option<f64>, half_width: f64) -> Markup {
    let Some(place) = place.filter(|place| place.is_finite()) else { return Markup::default() };
    // Limits at 20 and 100; values beyond are clamped to the edge.
    let x = |share: f64| format!("{:.1}", (20.0 + 80.0 * share).clamp(3.0, 117.0));
    let label = format!("{:.0} percent of the way from the low to the high limit", place * 100.0);
    html! {
        svg class="margin" width="120" height="14" viewBox="0 0 120 14" role="img" aria-label=(label) {
            rect x="20" y="5" width="80" height="4" fill="#d9d9d9" {}
            path d="M20 1V13M100 1V13" stroke="#222" stroke-width="1.5" {}
            path d="M60 3V11" stroke="#888" stroke-width="0.75" {}
            path d={"M" (x(place - half_width)) " 7H" (x(place + half_width))} stroke="#222" stroke-width="2" {}
            circle cx=(x(place)) cy="7" r="3" fill="#222" {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_lie_where_they_are() {
        assert_eq!(margin_bar_text(Some(0.5)), "[===o===]");
        assert_eq!(margin_bar_text(Some(0.0)), "[o======]");
        assert_eq!(margin_bar_text(Some(1.0)), "[======o]");
        assert_eq!(margin_bar_text(Some(1.01)), "[=======]o");
        assert_eq!(margin_bar_text(Some(-0.01)), "o[=======]");
        assert_eq!(margin_bar_text(None), "");
    }
}
