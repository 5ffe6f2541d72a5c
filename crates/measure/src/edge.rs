//! Edges: a change of a digital signal is known only to lie between two reads.

use tripbench_quantity::{Span, TimeSpan};

/// Seconds between which an edge lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bracket {
    /// Not before this.
    pub earliest_s: f64,
    /// Not after this.
    pub latest_s: f64,
}

/// Brackets an edge between the start of the last read with the old state and the end of the first with the new,
/// shifted by the module's input filter and widened by the age that its input image can have.
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
