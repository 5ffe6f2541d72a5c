//! The report of a record: rows of text from one content model, as HTML that prints on A4, with a chart of the run.
//!
//! No I/O: functions return strings. SVG uses only presentation attributes and class names, so that one drawing serves page and paper.

mod advice;
mod bar;
mod budget;
mod chart;
mod content;
mod coverage;
mod html;
mod summary;

pub use advice::{Advice, advice};
pub use bar::{margin_bar_svg, margin_bar_text};
pub use budget::{BudgetLine, amount, budget_lines};
pub use chart::chart_svg;
pub use content::{Content, Row, quantity_name, value_text};
pub use coverage::{not_checked, said_open, verdict_text};
pub use html::report_html;
pub use summary::{other_version, summary};
