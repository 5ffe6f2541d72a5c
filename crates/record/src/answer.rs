//! Answers to a question of a run.

/// Yes or no: nothing else answers a question.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    /// The run continues.
    Yes,
    /// The run ends.
    No,
}

/// Accepted words in lower case.
const WORDS: [(&str, Answer); 8] = [
    ("yes", Answer::Yes),
    ("no", Answer::No),
    ("y", Answer::Yes),
    ("ja", Answer::Yes),
    ("j", Answer::Yes),
    ("ok", Answer::Yes),
    ("n", Answer::No),
    ("nein", Answer::No),
];

impl Answer {
    /// The meaning of a text, whatever its case and the spaces around it; `None` for any other text.
    pub fn of(text: &str) -> Option<Self> {
        let word = text.trim().to_lowercase();
        WORDS.iter().find(|(known, _)| *known == word).map(|(_, answer)| *answer)
    }

    /// Every accepted word, separated by commas.
    pub fn words() -> String {
        WORDS.map(|(word, _)| word).join(", ")
    }
}
