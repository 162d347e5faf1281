//! The fields in which problems are told.

use super::fields::FormErrors;
use super::show::capital;
use crate::library::problems::{AsksFor, Problem, ProblemWhat};

/// Up to three problems at once.
#[derive(Debug, Clone, Default, PartialEq, Eq, serde::Deserialize)]
#[serde(default)]
#[allow(missing_docs)] // three times the same three
pub struct ProblemFields {
    pub problem_what: String,
    pub problem_asks_for: String,
    pub problem_words: String,
    pub second_problem_what: String,
    pub second_problem_asks_for: String,
    pub second_problem_words: String,
    pub third_problem_what: String,
    pub third_problem_asks_for: String,
    pub third_problem_words: String,
}

/// One problem's fields, with their names.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Slot<'a> {
    /// What it is called where there are several.
    pub title: &'static str,
    /// Name of the field for what is wrong.
    pub what_name: &'static str,
    /// What is wrong.
    pub what: &'a str,
    /// Name of the field for what it asks for.
    pub asks_for_name: &'static str,
    /// What it asks for.
    pub asks_for: &'a str,
    /// Name of the field for the words.
    pub words_name: &'static str,
    /// The words.
    pub words: &'a str,
}

/// The longest words of a problem.
pub const LONGEST: usize = 1000;

impl Slot<'_> {
    /// Whether anything was told in it.
    pub fn is_given(&self) -> bool {
        !self.what.is_empty() || !self.words.trim().is_empty()
    }

    /// The problem told, if any. A kind alone will do, and so will words alone.
    pub fn check(&self, errors: &mut FormErrors) -> Option<Problem> {
        if !self.is_given() {
            return None;
        }
        let what = if self.what.is_empty() {
            Some(ProblemWhat::Other)
        } else {
            errors.word(self.what_name, "What is wrong", self.what)
        };
        let asks_for = if self.asks_for.is_empty() {
            Some(AsksFor::ALook)
        } else {
            errors.word(self.asks_for_name, "What it asks for", self.asks_for)
        };
        let words = errors.optional_text(self.words_name, "In your words", self.words, LONGEST);
        let what = what?;
        Some(Problem {
            what,
            asks_for: asks_for?,
            words: if words.is_empty() {
                capital(what.label())
            } else {
                words
            },
        })
    }

    /// The kinds there are.
    pub fn whats(&self) -> &'static [ProblemWhat] {
        ProblemWhat::ALL
    }

    /// What a problem can ask for.
    pub fn asks(&self) -> &'static [AsksFor] {
        AsksFor::ALL
    }

    /// What it asks for, or the usual.
    pub fn asks_for_shown(&self) -> &str {
        if self.asks_for.is_empty() {
            AsksFor::ALook.slug()
        } else {
            self.asks_for
        }
    }
}

impl ProblemFields {
    /// The three slots.
    pub fn slots(&self) -> [Slot<'_>; 3] {
        [
            Slot {
                title: "Something is wrong",
                what_name: "problem_what",
                what: &self.problem_what,
                asks_for_name: "problem_asks_for",
                asks_for: &self.problem_asks_for,
                words_name: "problem_words",
                words: &self.problem_words,
            },
            Slot {
                title: "And something else",
                what_name: "second_problem_what",
                what: &self.second_problem_what,
                asks_for_name: "second_problem_asks_for",
                asks_for: &self.second_problem_asks_for,
                words_name: "second_problem_words",
                words: &self.second_problem_words,
            },
            Slot {
                title: "And a third thing",
                what_name: "third_problem_what",
                what: &self.third_problem_what,
                asks_for_name: "third_problem_asks_for",
                asks_for: &self.third_problem_asks_for,
                words_name: "third_problem_words",
                words: &self.third_problem_words,
            },
        ]
    }

    /// Whether anything was told in any of them.
    pub fn any(&self) -> bool {
        self.slots().iter().any(Slot::is_given)
    }

    /// The problems told.
    pub fn check(&self, errors: &mut FormErrors) -> Vec<Problem> {
        self.slots()
            .iter()
            .filter_map(|slot| slot.check(errors))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kind_alone_or_words_alone_will_do() {
        let fields = ProblemFields {
            problem_what: "dew-or-mould".to_owned(),
            problem_asks_for: "the-bench".to_owned(),
            second_problem_words: " strap is torn ".to_owned(),
            ..ProblemFields::default()
        };
        let mut errors = FormErrors::new();
        assert_eq!(
            fields.check(&mut errors),
            [
                Problem {
                    what: ProblemWhat::DewOrMould,
                    asks_for: AsksFor::TheBench,
                    words: "Dew or mould".to_owned()
                },
                Problem {
                    what: ProblemWhat::Other,
                    asks_for: AsksFor::ALook,
                    words: "strap is torn".to_owned()
                },
            ]
        );
        assert!(errors.is_empty());
        assert!(ProblemFields::default().check(&mut errors).is_empty());
    }

    #[test]
    fn a_word_not_on_the_list_is_asked_again() {
        let fields = ProblemFields {
            second_problem_what: "haunted".to_owned(),
            ..ProblemFields::default()
        };
        let mut errors = FormErrors::new();
        assert!(fields.check(&mut errors).is_empty());
        assert!(!errors.of("second_problem_what").is_empty());
    }
}
