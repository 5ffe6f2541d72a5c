//! Text from elsewhere: which characters it may contain if it identifies a device or a person, and how it is shown on a terminal.

use std::borrow::Cow;
use std::fmt::{self, Write};

/// Why a text cannot identify anything.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NotPlain {
    /// It has no visible character.
    Empty,
    /// It has too many characters.
    TooLong {
        /// Number of characters found.
        found: usize,
        /// Number of characters allowed.
        most: usize,
    },
    /// It has a character that cannot be seen, or that changes how others are shown: two different texts would look alike.
    Hidden {
        /// The character.
        found: char,
        /// Its place, counted from 1.
        at: usize,
    },
    /// It has a character that looks as one or two others do, in other code points (Unicode normal form C has only those others).
    Twin {
        /// The character.
        found: char,
        /// Its place, counted from 1.
        at: usize,
    },
    /// It has two spaces in a row, which look like one.
    Spaces {
        /// Place of the second one, counted from 1.
        at: usize,
    },
}

impl fmt::Display for NotPlain {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Empty => f.write_str("is empty: expected at least one visible character"),
            Self::TooLong { found, most } => write!(f, "has {found} characters: at most {most} are allowed"),
            Self::Hidden { found, at } => write!(
                f,
                "has U+{:04X}, {}, as character {at}: allowed are visible characters, and spaces (U+0020) between them",
                u32::from(found),
                kind(found)
            ),
            Self::Twin { found, at } => write!(
                f,
                "has U+{:04X}, {}, as character {at}: it looks as other characters do; expected Unicode normal form C (NFC), in which a letter with its mark is one character",
                u32::from(found),
                twin(found).unwrap_or("a second form of another character")
            ),
            Self::Spaces { at } => {
                write!(f, "has a second space (U+0020) in a row as character {at}: at most one is allowed")
            }
        }
    }
}

impl std::error::Error for NotPlain {}

/// What sort of character this is that a plain text must not have.
fn kind(found: char) -> &'static str {
    match found {
        _ if found.is_control() => "a control character",
        '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => {
            "a control of the writing direction"
        }
        _ if found.is_whitespace() => "white space other than a space",
        _ => "an invisible character",
    }
}

/// Whether a character is a control character, cannot be seen, or changes the direction of its neighbours. Apart from controls and
/// separators of lines these are the code points with the property `Default_Ignorable_Code_Point` (Unicode 16, from memory), and the
/// blank of Braille.
pub fn is_hidden(c: char) -> bool {
    c.is_control()
        || matches!(
            c,
            '\u{ad}'
                | '\u{34f}'
                | '\u{61c}'
                | '\u{115f}'..='\u{1160}'
                | '\u{17b4}'..='\u{17b5}'
                | '\u{180b}'..='\u{180f}'
                | '\u{200b}'..='\u{200f}'
                | '\u{2028}'..='\u{202e}'
                | '\u{2060}'..='\u{206f}'
                | '\u{2800}'
                | '\u{3164}'
                | '\u{fe00}'..='\u{fe0f}'
                | '\u{feff}'
                | '\u{ffa0}'
                | '\u{fff0}'..='\u{fffb}'
                | '\u{1bca0}'..='\u{1bca3}'
                | '\u{1d173}'..='\u{1d17a}'
                | '\u{e0000}'..='\u{e0fff}'
        )
}

/// What sort of character this is, if other code points look the same: marks that compose with letters, and characters that Unicode normal
/// form C replaces. So a text of Latin, Greek, Cyrillic, Chinese, Japanese or Korean characters has only one spelling. Marks of scripts that
/// cannot be written without them are allowed. From the tables of Unicode 14; a block is refused whole.
const fn twin(c: char) -> Option<&'static str> {
    match c {
        '\u{300}'..='\u{36f}'
        | '\u{483}'..='\u{489}'
        | '\u{653}'..='\u{655}'
        | '\u{1ab0}'..='\u{1aff}'
        | '\u{1dc0}'..='\u{1dff}'
        | '\u{20d0}'..='\u{20ff}'
        | '\u{2de0}'..='\u{2dff}'
        | '\u{3099}'..='\u{309a}'
        | '\u{a66f}'..='\u{a672}'
        | '\u{a674}'..='\u{a67d}'
        | '\u{a69e}'..='\u{a69f}'
        | '\u{fe20}'..='\u{fe2f}' => Some("a combining mark"),
        '\u{1100}'..='\u{11ff}' | '\u{a960}'..='\u{a97f}' | '\u{d7b0}'..='\u{d7ff}' => {
            Some("a part of a syllable")
        }
        '\u{374}'
        | '\u{37e}'
        | '\u{387}'
        | '\u{1f71}'
        | '\u{1f73}'
        | '\u{1f75}'
        | '\u{1f77}'
        | '\u{1f79}'
        | '\u{1f7b}'
        | '\u{1f7d}'
        | '\u{1fbb}'
        | '\u{1fbe}'
        | '\u{1fc9}'
        | '\u{1fcb}'
        | '\u{1fd3}'
        | '\u{1fdb}'
        | '\u{1fe3}'
        | '\u{1feb}'
        | '\u{1fee}'..='\u{1fef}'
        | '\u{1ff9}'
        | '\u{1ffb}'
        | '\u{1ffd}'
        | '\u{2126}'
        | '\u{212a}'..='\u{212b}'
        | '\u{2329}'..='\u{232a}'
        | '\u{2adc}'
        | '\u{f900}'..='\u{faff}'
        | '\u{fb1d}'..='\u{fb4f}'
        | '\u{2f800}'..='\u{2fa1f}' => Some("a second form of another character"),
        _ => None,
    }
}

/// A text that identifies a device or a person, such as a serial number, without spaces at its ends. Every text of this kind is taken in
/// here, so that no two of them differ only by characters that nobody sees, or by how a character is encoded. Letters that look alike are
/// different.
///
/// # Errors
/// If it is empty, has more than `most` characters, has a hidden character, white space other than single spaces, or a character that is
/// not in Unicode normal form C.
pub fn identifying(text: &str, most: usize) -> Result<&str, NotPlain> {
    let is_bad = |c: char| is_hidden(c) || (c.is_whitespace() && c != ' ');
    if let Some((index, found)) = text.chars().enumerate().find(|(_, c)| is_bad(*c)) {
        return Err(NotPlain::Hidden { found, at: index + 1 });
    }
    let skipped = text.chars().take_while(|c| *c == ' ').count();
    let text = text.trim();
    let mut before = None;
    for (at, found) in (skipped + 1..).zip(text.chars()) {
        if twin(found).is_some() {
            return Err(NotPlain::Twin { found, at });
        }
        if (before, found) == (Some(' '), ' ') {
            return Err(NotPlain::Spaces { at });
        }
        before = Some(found);
    }
    let found = text.chars().count();
    if found > most {
        return Err(NotPlain::TooLong { found, most });
    }
    if text.is_empty() { Err(NotPlain::Empty) } else { Ok(text) }
}

/// A text as a terminal may show it: hidden characters other than line feed and tab as escapes, such as `\u{1b}`.
pub fn shown(text: &str) -> Cow<'_, str> {
    escaped(text, |c| !is_hidden(c) || matches!(c, '\n' | '\t'))
}

/// A text as a part of one line on a terminal, such as a cell of a table: a line feed would look like a line of its own.
pub fn shown_in_line(text: &str) -> Cow<'_, str> {
    escaped(text, |c| !is_hidden(c))
}

fn escaped(text: &str, is_kept: impl Fn(char) -> bool) -> Cow<'_, str> {
    if text.chars().all(&is_kept) {
        return Cow::Borrowed(text);
    }
    let mut shown = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        if is_kept(c) {
            shown.push(c);
        } else {
            shown.extend(c.escape_unicode());
        }
    }
    Cow::Owned(shown)
}

/// A JSON document as a terminal may show it: hidden characters within its strings as escapes of JSON, which leaves its content as it is.
pub fn shown_json(text: &str) -> Cow<'_, str> {
    let is_kept = |c: char| !is_hidden(c) || matches!(c, '\n' | '\t' | '\r');
    if text.chars().all(is_kept) {
        return Cow::Borrowed(text);
    }
    let mut shown = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        if is_kept(c) {
            shown.push(c);
            continue;
        }
        for unit in c.encode_utf16(&mut [0; 2]) {
            let _fits_in_memory = write!(shown, "\\u{unit:04x}");
        }
    }
    Cow::Owned(shown)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    #[rstest]
    #[case::usual("7731-031", Ok("7731-031"))]
    #[case::spaces_at_the_ends(" A 1 ", Ok("A 1"))]
    #[case::umlaut("Müller", Ok("Müller"))]
    #[case::eighty(&"x".repeat(80), Ok(&*"x".repeat(80)))]
    #[case::nothing("  ", Err("is empty: expected at least one visible character"))]
    #[case::long(&"x".repeat(81), Err("has 81 characters: at most 80 are allowed"))]
    #[case::zero_width("A\u{200b}1", Err("has U+200B, an invisible character, as character 2"))]
    #[case::byte_order_mark("\u{feff}A", Err("has U+FEFF, an invisible character, as character 1"))]
    #[case::tag("A\u{e0041}", Err("has U+E0041, an invisible character, as character 2"))]
    #[case::right_to_left(
        "A\u{202e}1",
        Err("has U+202E, a control of the writing direction, as character 2")
    )]
    #[case::escape("\u{1b}[31mA", Err("has U+001B, a control character, as character 1"))]
    #[case::c1("A\u{9b}", Err("has U+009B, a control character, as character 2"))]
    #[case::line_feed("A\n", Err("has U+000A, a control character, as character 2"))]
    #[case::no_break_space("A\u{a0}1", Err("has U+00A0, white space other than a space, as character 2"))]
    #[case::no_break_spaces_of_two(
        "A \u{a0}1",
        Err("has U+00A0, white space other than a space, as character 3")
    )]
    #[case::two_spaces(
        "A  1",
        Err("has a second space (U+0020) in a row as character 3: at most one is allowed")
    )]
    #[case::three_spaces("  A   1", Err("has a second space (U+0020) in a row as character 5"))]
    #[case::two_spaces_at_the_end("A 1  ", Ok("A 1"))]
    #[case::decomposed_umlaut("Mu\u{308}ller", Err("has U+0308, a combining mark, as character 3"))]
    #[case::mark_at_the_start("\u{301}A", Err("has U+0301, a combining mark, as character 1"))]
    #[case::mark_for_symbols("A\u{20dd}", Err("has U+20DD, a combining mark, as character 2"))]
    #[case::half_mark("A\u{fe20}", Err("has U+FE20, a combining mark, as character 2"))]
    #[case::cyrillic_mark("\u{438}\u{306}", Err("has U+0306, a combining mark, as character 2"))]
    #[case::cyrillic_letter("\u{439}1", Ok("\u{439}1"))]
    #[case::kana_mark("\u{304b}\u{3099}", Err("has U+3099, a combining mark, as character 2"))]
    #[case::kana("\u{304c}", Ok("\u{304c}"))]
    #[case::hangul_in_parts("\u{1112}\u{1161}", Err("has U+1112, a part of a syllable, as character 1"))]
    #[case::hangul("\u{d55c}", Ok("\u{d55c}"))]
    #[case::kelvin("\u{212a}1", Err("has U+212A, a second form of another character, as character 1"))]
    #[case::ohm("10 \u{2126}", Err("has U+2126, a second form of another character, as character 4"))]
    #[case::omega("10 \u{3a9}", Ok("10 \u{3a9}"))]
    #[case::greek_question_mark(
        "A\u{37e}",
        Err("has U+037E, a second form of another character, as character 2")
    )]
    #[case::han_of_compatibility(
        "\u{f900}",
        Err("has U+F900, a second form of another character, as character 1")
    )]
    #[case::thai("\u{e17}\u{e35}\u{e48}", Ok("\u{e17}\u{e35}\u{e48}"))]
    fn what_identifies_is_visible(#[case] text: &str, #[case] expected: Result<&str, &str>) {
        match (identifying(text, 80), expected) {
            (Ok(found), Ok(expected)) => assert_eq!(found, expected),
            (Err(found), Err(expected)) => assert!(found.to_string().starts_with(expected), "{found}"),
            (found, expected) => panic!("{found:?}, expected {expected:?}"),
        }
    }

    #[rstest]
    #[case::plain("Müller\n\tA", "Müller\n\tA")]
    #[case::escape("\u{1b}[2JPASS", "\\u{1b}[2JPASS")]
    #[case::c1_and_return("\u{9b}1m\r", "\\u{9b}1m\\u{d}")]
    #[case::right_to_left("\u{202e}LIAF", "\\u{202e}LIAF")]
    fn hidden_characters_are_shown_as_escapes(#[case] text: &str, #[case] expected: &str) {
        assert_eq!(shown(text), expected);
        assert_eq!(shown_in_line(text), expected.replace('\n', "\\u{a}").replace('\t', "\\u{9}"));
    }

    /// Characters with a good share of hidden ones.
    fn any_text() -> impl Strategy<Value = String> {
        let hidden = prop::sample::select(vec![
            '\u{0}',
            '\u{7}',
            '\u{1b}',
            '\u{7f}',
            '\u{85}',
            '\u{9b}',
            '\u{a0}',
            '\u{ad}',
            '\u{61c}',
            '\u{200b}',
            '\u{200d}',
            '\u{200f}',
            '\u{2028}',
            '\u{202e}',
            '\u{2060}',
            '\u{2066}',
            '\u{feff}',
            '\u{fe0f}',
            '\u{e0001}',
            '\n',
            '\t',
            ' ',
        ]);
        let one = prop_oneof![4 => prop::char::range(' ', '~'), 1 => any::<char>(), 2 => hidden];
        prop::collection::vec(one, 0..12).prop_map(|all| all.into_iter().collect())
    }

    proptest! {
        /// Taking out what cannot be seen leaves a text that is taken in as it is: so no two of them look alike.
        #[test]
        fn a_text_that_identifies_has_no_twin(text in any_text()) {
            let seen: String = text.chars().filter(|c| !is_hidden(*c) && (*c == ' ' || !c.is_whitespace())).collect();
            let seen = seen.trim();
            match identifying(&text, 80) {
                Ok(found) => prop_assert_eq!(found, seen),
                Err(NotPlain::Spaces { .. } | NotPlain::Twin { .. }) => {}
                Err(why) => prop_assert!(text.trim_matches(' ') != seen || seen.is_empty(), "{:?}: {}", text, why),
            }
        }

        #[test]
        fn nothing_hidden_is_shown(text in any_text()) {
            let as_text = shown(&text);
            prop_assert!(as_text.chars().all(|c| !is_hidden(c) || matches!(c, '\n' | '\t')), "{:?}", as_text);
            prop_assert_eq!(shown(&as_text), &*as_text);
            let json = serde_json::to_string(&text).expect("JSON");
            let as_json = shown_json(&json);
            prop_assert!(!as_json.chars().any(is_hidden), "{:?}", as_json);
            prop_assert_eq!(serde_json::from_str::<String>(&as_json).expect("JSON"), text);
        }
    }
}
