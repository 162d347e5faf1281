//! Lists: what is asked of one stands in its address, and is answered here, on the
//! server: words to look for, choices, an order, a page. Each list names its [`Controls`];
//! `_list_controls.html` and `_list_foot.html` draw them, out of a page's `list`.

use super::Error;
use super::tables::Paging;
use crate::library::people::{all_stand_in, plain};

/// What is asked of a list, as its address has it.
#[derive(Debug, Clone, Default, serde::Deserialize)]
#[serde(from = "Vec<(String, String)>")]
pub struct Asked(Vec<(String, String)>);

impl From<Vec<(String, String)>> for Asked {
    fn from(pairs: Vec<(String, String)>) -> Self {
        Self(pairs)
    }
}

impl Asked {
    /// What is asked by this name, or "".
    pub fn of(&self, name: &str) -> &str {
        self.0
            .iter()
            .find(|(n, _)| n == name)
            .map_or("", |(_, value)| value.trim())
    }

    /// The words looked for.
    pub fn words(&self) -> &str {
        self.of("q")
    }

    /// The page, from 1.
    pub fn page(&self) -> usize {
        self.of("page").parse().unwrap_or(1).max(1)
    }

    /// The same with another value by this name.
    pub fn with(&self, name: &str, value: &str) -> Self {
        let mut pairs = self.0.clone();
        pairs.retain(|(n, _)| n != name);
        pairs.push((name.to_owned(), value.to_owned()));
        Self(pairs)
    }

    /// Each of the words looked for, capitals and accents apart.
    pub fn each_word(&self) -> Vec<String> {
        let words = plain(self.words());
        words.split_whitespace().map(str::to_owned).collect()
    }

    /// Whether each word looked for stands in these texts.
    pub fn fits(&self, texts: &[&str]) -> bool {
        all_stand_in(&self.each_word(), texts)
    }
}

/// One thing to choose by.
#[derive(Debug, Clone)]
pub struct Choice {
    /// Its name in the address.
    pub name: &'static str,
    /// Its name on the page.
    pub label: &'static str,
    /// What stands for no choice.
    pub any: &'static str,
    /// The others: as the address has them, and as the page does.
    pub options: Vec<(String, String)>,
}

impl Choice {
    /// Out of a fixed few.
    pub fn of(
        name: &'static str,
        label: &'static str,
        any: &'static str,
        options: &[(&str, &str)],
    ) -> Self {
        Self {
            name,
            label,
            any,
            options: options
                .iter()
                .map(|(slug, words)| ((*slug).to_owned(), (*words).to_owned()))
                .collect(),
        }
    }
}

/// What can be asked of one list.
#[derive(Debug, Clone)]
pub struct Controls {
    /// Its address.
    pub path: String,
    /// Where it is a file; "" where it is none.
    pub csv: String,
    /// What the words are looked for in.
    pub sought_in: &'static str,
    /// What can be chosen.
    pub choices: Vec<Choice>,
    /// Orders, as the address has them and as the page does; the first is the usual.
    pub orders: &'static [(&'static str, &'static str)],
    /// How many rows a page holds.
    pub rows: usize,
}

/// A choice as the page shows it.
#[derive(Debug, Clone)]
pub struct ShownChoice {
    /// The choice.
    pub choice: Choice,
    /// What is chosen, or "".
    pub chosen: String,
}

/// A list's controls as the page shows them.
#[derive(Debug, Clone)]
pub struct Shown {
    /// What can be asked.
    pub controls: Controls,
    /// The words looked for.
    pub words: String,
    /// What can be chosen, and what is.
    pub choices: Vec<ShownChoice>,
    /// The order chosen.
    pub order: String,
    /// Whether anything but the usual is chosen.
    pub is_narrowed: bool,
    /// Whether words are looked for, or anything but the usual is chosen.
    pub is_asked: bool,
    /// The address of the page before, or "".
    pub before: String,
    /// The address of the page after, or "".
    pub after: String,
    /// "1 to 50 of 130".
    pub count: String,
    /// The address of the file in this filter and order; "" where there is none.
    pub csv: String,
}

impl Controls {
    /// The order asked for: its word in the address.
    ///
    /// # Errors
    /// [`Error::BadRequest`] where the address names an order or a choice there is not.
    pub fn check<'a>(&self, asked: &'a Asked) -> Result<&'a str, Error> {
        for choice in &self.choices {
            let chosen = asked.of(choice.name);
            if !chosen.is_empty() && !choice.options.iter().any(|(slug, _)| slug == chosen) {
                let known: Vec<&str> = choice.options.iter().map(|o| o.0.as_str()).collect();
                return Err(Error::BadRequest(format!(
                    "{}: this list has no \"{chosen}\". Choose one of: {}.",
                    choice.label,
                    known.join(", ")
                )));
            }
        }
        let order = asked.of("sort");
        if order.is_empty() {
            return Ok(self.orders.first().map_or("", |(slug, _)| slug));
        }
        if !self.orders.iter().any(|(slug, _)| *slug == order) {
            let known: Vec<&str> = self.orders.iter().map(|o| o.0).collect();
            return Err(Error::BadRequest(format!(
                "Sorted by: this list has no \"{order}\". Choose one of: {}.",
                known.join(", ")
            )));
        }
        Ok(order)
    }

    /// What is asked, as an address under this path. Whatever the list does not know is
    /// left out.
    fn address(&self, path: &str, asked: &Asked, page: usize) -> String {
        let page = (page > 1).then(|| page.to_string());
        let known = std::iter::once("q")
            .chain(self.choices.iter().map(|choice| choice.name))
            .chain(["sort"]);
        let pairs: Vec<(&str, &str)> = known
            .map(|name| (name, asked.of(name)))
            .chain(page.as_deref().map(|page| ("page", page)))
            .filter(|(_, value)| !value.is_empty())
            .collect();
        match serde_html_form::to_string(&pairs) {
            Ok(query) if !query.is_empty() => format!("{path}?{query}"),
            _ => path.to_owned(),
        }
    }

    /// The address of this list as it is asked for, from its first page on.
    pub fn here(&self, asked: &Asked) -> String {
        self.address(&self.path, asked, 1)
    }

    /// The same under another path: of a file, say.
    pub fn at(&self, path: &str, asked: &Asked) -> String {
        self.address(path, asked, 1)
    }

    /// The rows of the page asked for, out of all that fit.
    pub fn page_of<T>(self, asked: &Asked, found: Vec<T>) -> (Vec<T>, Shown) {
        let paging = Paging::new(asked.page(), found.len(), self.rows);
        let rows = paging.rows(found);
        (rows, self.shown(asked, &paging))
    }

    /// The controls on a page of the list.
    pub fn shown(self, asked: &Asked, paging: &Paging) -> Shown {
        let address = |page: Option<usize>| {
            page.map(|page| self.address(&self.path, asked, page))
                .unwrap_or_default()
        };
        let (before, after) = (address(paging.before()), address(paging.after()));
        let csv = match self.csv.as_str() {
            "" => String::new(),
            csv => self.address(csv, asked, 1),
        };
        let choices: Vec<ShownChoice> = self
            .choices
            .iter()
            .map(|choice| ShownChoice {
                chosen: asked.of(choice.name).to_owned(),
                choice: choice.clone(),
            })
            .collect();
        let order = asked.of("sort").to_owned();
        let usual = self.orders.first().map_or("", |(slug, _)| slug);
        let is_narrowed = choices.iter().any(|one| !one.chosen.is_empty())
            || !(order.is_empty() || order == usual);
        Shown {
            is_asked: is_narrowed || !asked.words().is_empty(),
            words: asked.words().to_owned(),
            choices,
            order,
            is_narrowed,
            before,
            after,
            count: paging.words(),
            csv,
            controls: self,
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    fn controls() -> Controls {
        Controls {
            path: "/people".to_owned(),
            csv: "/people.csv".to_owned(),
            sought_in: "Name",
            choices: vec![Choice::of("role", "Role", "any", &[("member", "members")])],
            orders: &[("name", "Name"), ("newest", "Newest first")],
            rows: 2,
        }
    }

    fn asked(query: &str) -> Asked {
        serde_html_form::from_str(query).unwrap()
    }

    #[test]
    fn what_is_asked_stands_in_every_address_and_nothing_else_does() {
        let asked = asked("q=%C3%89mil&role=member&sort=newest&page=2&evil=%22%3E");
        assert_eq!(controls().check(&asked).unwrap(), "newest");
        let (rows, shown) = controls().page_of(&asked, vec![1, 2, 3, 4, 5]);
        assert_eq!(rows, [3, 4]);
        assert_eq!(shown.before, "/people?q=%C3%89mil&role=member&sort=newest");
        assert_eq!(
            shown.after,
            "/people?q=%C3%89mil&role=member&sort=newest&page=3"
        );
        assert_eq!(shown.csv, "/people.csv?q=%C3%89mil&role=member&sort=newest");
        assert_eq!(shown.count, "3 to 4 of 5");
        assert!(asked.fits(&["emile", "x"]) && !asked.fits(&["em il"]));
    }

    #[test]
    fn what_a_list_does_not_have_is_named_with_what_it_has() {
        for (query, words) in [
            (
                "role=king",
                "Role: this list has no \"king\". Choose one of: member.",
            ),
            (
                "sort=x",
                "Sorted by: this list has no \"x\". Choose one of: name, newest.",
            ),
        ] {
            match controls().check(&asked(query)) {
                Err(Error::BadRequest(said)) => assert_eq!(said, words),
                other => panic!("{other:?}"),
            }
        }
        assert_eq!(controls().check(&asked("page=-1")).unwrap(), "name");
        assert_eq!(asked("page=-1").page(), 1);
        assert_eq!(asked("page=99999999999999999999").page(), 1);
    }
}
