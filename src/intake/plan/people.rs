//! People: who is new, who is there already, and whom a name means.

use std::collections::HashMap;

use library::PersonId;
use library::intake::{BroughtPerson, Known};
use library::people::{NewPerson, Role};

use super::words::{Standing, standing};
use super::{Line, NotTaken, Planner, Row, Taken};
use crate::fields::Field;
use crate::names;

/// One person as a name may mean them.
struct Entry {
    id: PersonId,
    name: String,
    key: String,
    email: Option<String>,
    left: bool,
    /// What stands for them among the answers.
    handle: String,
}

/// Everyone whom a name may mean: those there already and those brought.
pub(super) struct Directory {
    all: Vec<Entry>,
    by_key: HashMap<String, Vec<usize>>,
    by_email: HashMap<String, usize>,
    /// By first word, last word and first letters: only these are looked at as near.
    like: HashMap<String, Vec<usize>>,
    /// New people whom a loan named, by key.
    named: HashMap<String, PersonId>,
}

impl Directory {
    pub(super) fn of(known: &Known) -> Self {
        let mut directory = Self {
            all: Vec::new(),
            by_key: HashMap::new(),
            by_email: HashMap::new(),
            like: HashMap::new(),
            named: HashMap::new(),
        };
        for person in &known.people {
            directory.add(
                person.id,
                &person.name,
                person.email.as_deref(),
                person.left,
            );
        }
        directory
    }

    fn add(&mut self, id: PersonId, name: &str, email: Option<&str>, left: bool) {
        let at = self.all.len();
        let key = names::key(name);
        for like in likes(&key) {
            self.like.entry(like).or_default().push(at);
        }
        let bearers = self.by_key.entry(key.clone()).or_default();
        bearers.push(at);
        // The same before and after they are kept, so that an answer stands when the
        // same lists are brought again.
        let handle = match (email, bearers.len()) {
            (Some(email), _) => email.to_lowercase(),
            (None, 1) => key.clone(),
            (None, nth) => format!("{key} ({nth})"),
        };
        let email = email.map(str::to_lowercase);
        if let Some(email) = &email {
            self.by_email.insert(email.clone(), at);
        }
        self.all.push(Entry {
            id,
            name: name.to_owned(),
            key,
            email,
            left,
            handle,
        });
    }

    fn exact(&self, key: &str) -> Vec<usize> {
        self.by_key.get(key).cloned().unwrap_or_default()
    }

    /// Those whose names are near; only those that are `asked` for are looked at.
    fn near(&self, key: &str, asked: impl Fn(&Entry) -> bool) -> Vec<usize> {
        let mut found: Vec<usize> = likes(key)
            .iter()
            .filter_map(|like| self.like.get(like))
            .flatten()
            .copied()
            .filter(|at| asked(&self.all[*at]) && names::near(&self.all[*at].key, key))
            .collect();
        found.sort_unstable();
        found.dedup();
        found.truncate(8);
        found
    }

    fn option(&self, at: usize) -> (String, String) {
        let entry = &self.all[at];
        let more = match (&entry.email, entry.left) {
            (_, true) => " (has left)".to_owned(),
            (Some(email), _) => format!(", {email}"),
            (None, _) => String::new(),
        };
        (entry.handle.clone(), format!("{}{more}", entry.name))
    }

    /// Whether this person has left.
    pub(super) fn has_left(&self, id: PersonId) -> bool {
        self.all.iter().any(|e| e.id == id && e.left)
    }
}

/// What near names have in common: a word, or their first three letters.
fn likes(key: &str) -> Vec<String> {
    let mut likes: Vec<String> = key.split(' ').map(|word| format!("={word}")).collect();
    likes.push(key.chars().take(3).collect());
    likes.sort_unstable();
    likes.dedup();
    likes
}

const STANDINGS: &[(Standing, &str, &str)] = &[
    (Standing::Role(Role::Member), "member", "member"),
    (Standing::Role(Role::Volunteer), "volunteer", "volunteer"),
    (
        Standing::Role(Role::Coordinator),
        "coordinator",
        "coordinator",
    ),
    (Standing::Guest, "guest", "guest: borrows, never signs in"),
];

impl Planner<'_> {
    pub(super) fn person(&mut self, line: Line<'_>) -> Taken<Row> {
        let (given, surname) = (line.text(Field::Given), line.text(Field::Surname));
        let whole = match line.text(Field::Name) {
            name if !name.is_empty() => names::shown(&name),
            _ => names::shown(&format!("{given} {surname}").replace(',', " ")),
        };
        let at_field = match line.column(Field::Name) {
            Some(_) => Field::Name,
            None => Field::Surname,
        };
        if whole.is_empty() {
            return self.fault(
                line,
                at_field,
                "No name stands here. Write it, or take the row out.",
            );
        }
        let standing = self
            .word(line, Field::Role, standing, STANDINGS)?
            .unwrap_or(Standing::Role(Role::Member));
        let new = NewPerson {
            name: whole,
            email: line.text(Field::Email),
            role: match standing {
                Standing::Role(role) => role,
                Standing::Guest => Role::Member,
            },
            guest: standing == Standing::Guest,
        };
        let new = match new.check() {
            Ok(new) => new,
            Err((field, words)) => {
                let field = match field {
                    "email" => Field::Email,
                    "guest" => Field::Role,
                    _ => at_field,
                };
                return self.fault(line, field, words);
            }
        };
        let joined = self.day(line, Field::Joined, false)?;
        let left = self.day(line, Field::Left, false)?;
        if let (Some(joined), Some(left)) = (joined, left)
            && left < joined
        {
            return self.fault(
                line,
                Field::Left,
                "They left before they joined. Correct one of the two days.",
            );
        }
        let key = names::key(&new.name);
        let email = new.address().map(str::to_owned);
        if let Some(there) = email.as_ref().and_then(|e| self.people.by_email.get(e)) {
            let other = &self.people.all[*there];
            if other.key == key || names::near(&other.key, &key) {
                return Ok(Row::Known);
            }
            let words = format!(
                "{} has this address already. Two people need two addresses: correct it, or leave it empty.",
                other.name
            );
            return self.fault(line, Field::Email, words);
        }
        let lacks_email = |at: &usize| email.is_none() || self.people.all[*at].email.is_none();
        let exact = self.people.exact(&key);
        if exact.iter().any(lacks_email) {
            return Ok(Row::Known);
        }
        if !exact.is_empty() {
            self.plan.notes.insert(format!(
                "{} is on the list with another address: two people of one name.",
                new.name
            ));
        }
        let near = self
            .people
            .near(&key, |e| email.is_none() || e.email.is_none());
        if exact.is_empty() && !near.is_empty() {
            let mut options: Vec<_> = near
                .iter()
                .map(|at| {
                    let (value, words) = self.people.option(*at);
                    (value, format!("the same as {words}"))
                })
                .collect();
            options.push(("new".to_owned(), "somebody else, to be added".to_owned()));
            let words = format!("Is {} the same person as somebody on the list?", new.name);
            let answer = self.ask(
                format!("same:{key}"),
                || words,
                line.place(at_field),
                || options,
                None,
            );
            match answer.as_deref() {
                None => return Err(NotTaken::Waiting),
                Some("new") => {}
                Some(_) => return Ok(Row::Known),
            }
        }
        let id = PersonId::fresh();
        let joined_at = joined.map_or(self.now, |day| self.moment(day, 12));
        self.people
            .add(id, &new.name, email.as_deref(), left.is_some());
        self.plan.batch.people.push(BroughtPerson {
            id,
            name: new.name,
            email,
            role: new.role,
            guest: new.guest,
            joined_at,
            left_at: left.map(|day| self.moment(day, 12)),
        });
        Ok(Row::Added)
    }

    /// Whom a cell's name means. One who is on no list is added, without mail, once
    /// that was decided.
    pub(super) fn person_named(&mut self, line: Line<'_>, field: Field) -> Taken<PersonId> {
        let written = line.text(field);
        if written.is_empty() {
            return self.fault(line, field, "No name stands here. Write who borrowed it.");
        }
        if written.contains('@') {
            let email = written.trim().to_lowercase();
            return match self.people.by_email.get(&email) {
                Some(at) => Ok(self.people.all[*at].id),
                None => {
                    let words = format!(
                        "Nobody has the address {email}. Correct it, or bring the person with these lists."
                    );
                    self.fault(line, field, words)
                }
            };
        }
        let key = names::key(&written);
        let exact = self.people.exact(&key);
        let here: Vec<usize> = exact
            .iter()
            .copied()
            .filter(|at| !self.people.all[*at].left)
            .collect();
        match (exact.as_slice(), here.as_slice()) {
            ([one], _) | (_, [one]) => return Ok(self.people.all[*one].id),
            _ => {}
        }
        let asked = format!("name:{key}");
        let candidates = match exact.is_empty() {
            // Once is enough: a club may lend a thousand times to one misspelt name.
            _ if self.asked.contains_key(&asked) => Vec::new(),
            true => self.people.near(&key, |_| true),
            false => exact,
        };
        let shown = names::shown(&written);
        let mut options: Vec<_> = candidates
            .iter()
            .map(|at| self.people.option(*at))
            .collect();
        options.push((
            "new".to_owned(),
            format!("nobody on the list: add {shown} as a member without mail"),
        ));
        options.push((
            "guest".to_owned(),
            format!("nobody on the list: add {shown} as a guest"),
        ));
        let suggested = candidates.is_empty().then(|| "new".to_owned());
        let words = || match candidates.len() {
            0 => format!("{shown} is on no list of people. Who is it?"),
            _ => format!("Who is \u{201c}{written}\u{201d}?"),
        };
        let answer = self.ask(asked, words, line.place(field), || options, suggested);
        match answer.as_deref() {
            None => Err(NotTaken::Waiting),
            Some(how @ ("new" | "guest")) => Ok(self.add_named(&key, &shown, how == "guest")),
            Some(handle) => self
                .people
                .all
                .iter()
                .find(|e| e.handle == handle)
                .map(|e| e.id)
                .ok_or(NotTaken::Waiting),
        }
    }

    fn add_named(&mut self, key: &str, name: &str, guest: bool) -> PersonId {
        if let Some(id) = self.people.named.get(key) {
            return *id;
        }
        let id = PersonId::fresh();
        self.people.named.insert(key.to_owned(), id);
        self.plan.batch.people.push(BroughtPerson {
            id,
            name: name.chars().take(120).collect(),
            email: None,
            role: Role::Member,
            guest,
            joined_at: self.now,
            left_at: None,
        });
        self.plan
            .counts
            .entry(crate::fields::Kind::People)
            .or_default()
            .added += 1;
        id
    }

    /// The name of a person, for words.
    pub(super) fn name_of(&self, id: PersonId) -> String {
        let known = self.people.all.iter().find(|e| e.id == id);
        let brought = || self.plan.batch.people.iter().find(|p| p.id == id);
        known
            .map(|e| e.name.clone())
            .or_else(|| brought().map(|p| p.name.clone()))
            .unwrap_or_default()
    }
}
