//! Words: days and sentences as they are written everywhere, and closed vocabularies,
//! enums that are words in the database, in addresses and on pages.

use chrono::NaiveDate;

/// "14 March 2026".
pub fn day(date: NaiveDate) -> String {
    date.format("%-d %B %Y").to_string()
}

/// With a capital first.
pub fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// A word that is not in the vocabulary it was looked up in.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[error("\"{word}\" is not one of: {known}")]
pub struct UnknownWord {
    /// The word looked up.
    pub word: String,
    /// The words there are, comma-separated.
    pub known: String,
}

/// Declares an enum whose variants each have a slug (stored, in addresses and
/// form values) and a plain-word label (on pages, its `Display`).
#[macro_export]
macro_rules! words {
    ($(#[$doc:meta])* pub enum $name:ident {
        $($(#[$vdoc:meta])* $variant:ident = $slug:literal, $label:literal;)+
    }) => {
        $(#[$doc])*
        #[derive(
            Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord,
            serde::Serialize, serde::Deserialize, sqlx::Type,
        )]
        pub enum $name {
            $($(#[$vdoc])* #[sqlx(rename = $slug)] #[serde(rename = $slug)] $variant,)+
        }

        impl $name {
            /// Every word, in the order people expect.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)+];

            /// The stored form.
            pub const fn slug(self) -> &'static str {
                match self { $(Self::$variant => $slug,)+ }
            }

            /// The word on pages.
            pub const fn label(self) -> &'static str {
                match self { $(Self::$variant => $label,)+ }
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.pad(self.label())
            }
        }

        impl std::str::FromStr for $name {
            type Err = $crate::UnknownWord;
            fn from_str(word: &str) -> Result<Self, Self::Err> {
                match word {
                    $($slug => Ok(Self::$variant),)+
                    _ => Err($crate::UnknownWord {
                        word: word.to_owned(),
                        known: [$($slug),+].join(", "),
                    }),
                }
            }
        }
    };
}

/// Declares a newtype id around a [`uuid::Uuid`], stored as 16 bytes.
#[macro_export]
macro_rules! id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(
            Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord,
            serde::Serialize, serde::Deserialize, sqlx::Type,
        )]
        #[sqlx(transparent)]
        #[serde(transparent)]
        pub struct $name(pub uuid::Uuid);

        impl $name {
            /// A new id, sorted by time of making.
            pub fn fresh() -> Self {
                Self(uuid::Uuid::now_v7())
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                self.0.fmt(f)
            }
        }

        impl std::str::FromStr for $name {
            type Err = uuid::Error;
            fn from_str(text: &str) -> Result<Self, Self::Err> {
                text.parse().map(Self)
            }
        }
    };
}
