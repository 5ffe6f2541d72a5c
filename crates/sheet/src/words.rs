//! Keys whose value is one of a fixed set of words.

/// Declares an enum whose variants are words of a sheet: `Field`, serde and `Display` all use the same word.
#[macro_export]
macro_rules! words {
    ($(#[$doc:meta])* $visibility:vis enum $name:ident { $($(#[$word_doc:meta])* $variant:ident = $word:literal),* $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, ::serde::Serialize, ::serde::Deserialize)]
        $visibility enum $name {
            $($(#[$word_doc])* #[serde(rename = $word)] $variant),*
        }

        impl $name {
            /// Every word, in the order of declaration.
            pub const WORDS: &'static [&'static str] = &[$($word),*];

            /// The word of this variant, as written in a sheet.
            pub const fn word(self) -> &'static str {
                match self {
                    $(Self::$variant => $word),*
                }
            }
        }

        impl ::std::fmt::Display for $name {
            fn fmt(&self, f: &mut ::std::fmt::Formatter<'_>) -> ::std::fmt::Result {
                f.write_str(self.word())
            }
        }

        impl $crate::Field for $name {
            fn read(node: &$crate::Node) -> Result<Self, $crate::Problem> {
                let word = <String as $crate::Field>::read(node)?;
                match word.as_str() {
                    $($word => Ok(Self::$variant),)*
                    _ => Err($crate::Problem::unknown_word(&word, Self::WORDS)),
                }
            }
            fn schema() -> $crate::Schema {
                $crate::enumeration(Self::WORDS)
            }
        }
    };
}
