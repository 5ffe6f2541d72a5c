//! Edges: the time of a change of a digital signal is known only to lie between two reads.

use tripbench_quantity::{Span, TimeSpan};

/// Time interval that contains an edge, in seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bracket {
    /// Earliest possible time.
    pub earliest_s: f64,
    /// Latest possible time.
    pub latest_s: f64,
}

/// Brackets an edge between the start of the last read with the old state and the end of the first with the new,
/// shifted by the module's input filter and widened by the greatest age of its input image.
pub fn bracket(last_old: Span, first_new: Span, input_filter: TimeSpan, image_age: TimeSpan) -> Bracket {
    Bracket {
        earliest_s: last_old.before.seconds() - input_filter.si() - image_age.si(),
        latest_s: first_new.after.seconds() - input_filter.si(),
    }
}

impl Bracket {
    /// Middle, in seconds.
    pub fn middle_s(self) -> f64 {
        f64::midpoint(self.earliest_s, self.latest_s)
    }

    /// Width, in seconds.
    pub fn width_s(self) -> f64 {
        self.latest_s - self.earliest_s
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tripbench_quantity::Mono;

    // Read at 1.000 to 1.004 s with the old state and at 1.005 to 1.009 s with the new one; a filter of 3 ms, an image of up to
    // 2 ms: not before 1.000 − 0.003 − 0.002, not after 1.009 − 0.003.
    #[test]
    fn an_edge_lies_between_the_reads_less_filter_and_age() {
        let at = |before: u64, after: u64| Span {
            before: Mono::from_nanos(before * 1_000_000),
            after: Mono::from_nanos(after * 1_000_000),
        };
        let found = bracket(at(1_000, 1_004), at(1_005, 1_009), TimeSpan::new(3e-3), TimeSpan::new(2e-3));
        assert!((found.earliest_s - 0.995).abs() < 1e-12, "{found:?}");
        assert!((found.latest_s - 1.006).abs() < 1e-12, "{found:?}");
        assert!((found.middle_s() - 1.000_5).abs() < 1e-12);
        assert!((found.width_s() - 0.011).abs() < 1e-12);
    }
}
