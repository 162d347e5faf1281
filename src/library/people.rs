//! People: members, volunteers, coordinators. Nothing is kept of them beyond
//! what lending needs.

use super::club::Club;
use super::{Conn, Error, Moment, PersonId, Result, jobs};

words! {
    /// What a person may do; each role may do all that the ones before it may.
    pub enum Role {
        /// Borrows instruments.
        Member = "member", "member";
        /// Works the lending desk and the bench.
        Volunteer = "volunteer", "volunteer";
        /// Answers for the shelf: limits, people, overrides.
        Coordinator = "coordinator", "coordinator";
    }
}

/// A name as lists sort it: without regard to capitals and to what stands on a letter, so
/// that "Émile" stands under E. The letters are those of Latin-1 and Latin Extended-A
/// (Unicode, chapter 7.1); any other stays as it is.
pub fn sorted_as(name: &str) -> String {
    let mut key = String::with_capacity(name.len());
    for c in name.chars().flat_map(char::to_lowercase) {
        let plain = match c {
            'à'..='å' | 'ā' | 'ă' | 'ą' => "a",
            'æ' => "ae",
            'ç' | 'ć' | 'ĉ' | 'ċ' | 'č' => "c",
            'ď' | 'đ' | 'ð' => "d",
            'è'..='ë' | 'ē' | 'ĕ' | 'ė' | 'ę' | 'ě' => "e",
            'ĝ' | 'ğ' | 'ġ' | 'ģ' => "g",
            'ĥ' | 'ħ' => "h",
            'ì'..='ï' | 'ĩ' | 'ī' | 'ĭ' | 'į' | 'ı' => "i",
            'ĵ' => "j",
            'ķ' => "k",
            'ĺ' | 'ļ' | 'ľ' | 'ŀ' | 'ł' => "l",
            'ñ' | 'ń' | 'ņ' | 'ň' => "n",
            'ò'..='ö' | 'ø' | 'ō' | 'ŏ' | 'ő' => "o",
            'œ' => "oe",
            'ŕ' | 'ŗ' | 'ř' => "r",
            'ś' | 'ŝ' | 'ş' | 'š' => "s",
            'ß' => "ss",
            'ţ' | 'ť' | 'ŧ' => "t",
            'þ' => "th",
            'ù'..='ü' | 'ũ' | 'ū' | 'ŭ' | 'ů' | 'ű' | 'ų' => "u",
            'ŵ' => "w",
            'ý' | 'ÿ' | 'ŷ' => "y",
            'ź' | 'ż' | 'ž' => "z",
            // What stands on a letter, written after it.
            '\u{300}'..='\u{36f}' => "",
            other => {
                key.push(other);
                continue;
            }
        };
        key.push_str(plain);
    }
    key
}

/// Words as people look for them: small letters, a hyphen for a dash, no accent.
pub fn plain(words: &str) -> String {
    sorted_as(words).replace('\u{2013}', "-")
}

/// Whether each of these words, as [`plain`] has them, stands in these texts.
pub fn all_stand_in(words: &[String], texts: &[&str]) -> bool {
    if words.is_empty() {
        return true;
    }
    let text = plain(&texts.join(" "));
    words.iter().all(|word| text.contains(word))
}

/// One person.
#[derive(Debug, Clone)]
pub struct Person {
    /// Id.
    pub id: PersonId,
    /// Name as others see it.
    pub name: String,
    /// Address for signing in and for the lending desk; who has none never signs in.
    pub email: Option<String>,
    /// Role.
    pub role: Role,
    /// Whether they borrow without being a member; a guest never signs in.
    pub guest: bool,
    /// Whether a password has been chosen.
    pub can_sign_in: bool,
    /// Since when.
    pub joined_at: Moment,
    /// Until when, once they have left.
    pub left_at: Option<Moment>,
}

/// A person to be added; checked by [`NewPerson::check`].
#[derive(Debug, Clone)]
pub struct NewPerson {
    /// Name.
    pub name: String,
    /// Email address; "" where they have none.
    pub email: String,
    /// Role.
    pub role: Role,
    /// Whether they borrow without being a member.
    pub guest: bool,
}

impl NewPerson {
    /// Trims and checks, naming the field and the mend. Who has no address, or is a
    /// guest, cannot sign in and so can only be a member.
    ///
    /// The address needs one `@`, a local part of at most 64 and a whole of at
    /// most 254 octets (RFC 5321, 4.5.3.1), and no spaces.
    pub fn check(mut self) -> std::result::Result<Self, (&'static str, String)> {
        self.name = self.name.trim().to_owned();
        self.email = self.email.trim().to_lowercase();
        if self.name.is_empty() || self.name.chars().count() > 120 {
            return Err(("name", "Give a name of 1 to 120 characters.".to_owned()));
        }
        let well_formed = match self.email.split_once('@') {
            Some((local, domain)) => {
                (1..=64).contains(&local.len())
                    && domain.contains('.')
                    && !domain.starts_with('.')
                    && !domain.ends_with('.')
                    && !domain.contains('@')
                    && self.email.len() <= 254
                    && !self
                        .email
                        .chars()
                        .any(|c| c.is_whitespace() || c.is_control())
            }
            None => self.email.is_empty(),
        };
        if !well_formed {
            return Err((
                "email",
                "Give an email address like name@example.org, or leave it empty for somebody who does not sign in."
                    .to_owned(),
            ));
        }
        if self.role != Role::Member && self.email.is_empty() {
            return Err((
                "email",
                format!("A {} signs in: give their email address.", self.role),
            ));
        }
        if self.role != Role::Member && self.guest {
            return Err((
                "guest",
                format!("A {} signs in and is no guest: choose one.", self.role),
            ));
        }
        Ok(self)
    }

    /// The address, where there is one.
    pub fn address(&self) -> Option<&str> {
        Some(self.email.as_str()).filter(|email| !email.is_empty())
    }
}

/// Which people a list shows, and in which order.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Which<'a> {
    /// Of this role only, guests left out.
    pub role: Option<Role>,
    /// Guests only.
    pub guests: bool,
    /// Only those who sign in ("yes"), could and have not ("no-password"), or cannot ("never").
    pub signs_in: Option<&'a str>,
    /// Words that must each stand in the name or the address, as [`plain`] has them.
    pub words: Vec<String>,
    /// "newest" or "longest" here first; else by name.
    pub order: &'a str,
}

/// People to choose one from.
#[derive(Debug, Clone, Default)]
pub struct Offered {
    /// They, by name.
    pub people: Vec<Person>,
    /// Whether there are more whom nobody sees without looking for them.
    pub more: bool,
}

impl Offered {
    /// Whether it is too long to be looked through.
    pub fn is_long(&self) -> bool {
        self.more || self.people.len() > 40
    }
}

/// One of those found, with how many fit.
struct Found {
    id: PersonId,
    name: String,
    email: Option<String>,
    role: Role,
    guest: bool,
    can_sign_in: bool,
    joined_at: Moment,
    left_at: Option<Moment>,
    count: i64,
}

impl From<Found> for Person {
    fn from(found: Found) -> Self {
        Self {
            id: found.id,
            name: found.name,
            email: found.email,
            role: found.role,
            guest: found.guest,
            can_sign_in: found.can_sign_in,
            joined_at: found.joined_at,
            left_at: found.left_at,
        }
    }
}

/// So many people are offered to choose from; a club of so many sees all of them.
const MOST_OFFERED: i64 = 100;
/// Among so many of the latest loans those are looked for who borrowed last.
const LATELY_LENT: i64 = 400;

impl Person {
    /// The address, or "".
    pub fn mail(&self) -> &str {
        self.email.as_deref().unwrap_or("")
    }

    /// Whether they could sign in if they had a password.
    pub fn may_sign_in(&self) -> bool {
        self.email.is_some() && !self.guest && self.left_at.is_none()
    }

    /// Adds a person without a password; they choose one at a sign-in link.
    pub async fn add(conn: &mut Conn, new: &NewPerson, at: Moment) -> Result<PersonId> {
        let id = PersonId::fresh();
        let email = new.address();
        let taken = sqlx::query_scalar!(
            r#"SELECT COUNT(*) AS "n: i64" FROM people WHERE email = ?"#,
            email
        )
        .fetch_one(&mut *conn)
        .await?;
        if taken > 0 {
            return Err(Error::Refused(format!(
                "Someone with the address {} is already on the list.",
                new.email
            )));
        }
        let sorted_as = sorted_as(&new.name);
        sqlx::query!(
            "INSERT INTO people (id, name, email, role, guest, joined_at, sorted_as) VALUES (?, ?, ?, ?, ?, ?, ?)",
            id,
            new.name,
            email,
            new.role,
            new.guest,
            at,
            sorted_as
        )
        .execute(conn)
        .await?;
        Ok(id)
    }

    /// One person by id.
    pub async fn get(conn: &mut Conn, id: PersonId) -> Result<Self> {
        sqlx::query_as!(
            Self,
            r#"SELECT id AS "id: PersonId", name, email, role AS "role: Role", guest AS "guest: bool",
                      password_hash IS NOT NULL AS "can_sign_in!: bool",
                      joined_at AS "joined_at: Moment", left_at AS "left_at: Moment"
               FROM people WHERE id = ?"#,
            id
        )
        .fetch_optional(conn)
        .await?
        .ok_or(Error::NotFound("person"))
    }

    /// One person by email address.
    pub async fn by_email(conn: &mut Conn, email: &str) -> Result<Option<Self>> {
        Ok(sqlx::query_as!(
            Self,
            r#"SELECT id AS "id: PersonId", name, email, role AS "role: Role", guest AS "guest: bool",
                      password_hash IS NOT NULL AS "can_sign_in!: bool",
                      joined_at AS "joined_at: Moment", left_at AS "left_at: Moment"
               FROM people WHERE email = ?"#,
            email
        )
        .fetch_optional(conn)
        .await?)
    }

    /// Everyone who has not left, by name.
    pub async fn list(conn: &mut Conn) -> Result<Vec<Self>> {
        Ok(sqlx::query_as!(
            Self,
            r#"SELECT id AS "id: PersonId", name, email, role AS "role: Role", guest AS "guest: bool",
                      password_hash IS NOT NULL AS "can_sign_in!: bool",
                      joined_at AS "joined_at: Moment", left_at AS "left_at: Moment"
               FROM people WHERE left_at IS NULL ORDER BY sorted_as, name, id"#
        )
        .fetch_all(conn)
        .await?)
    }

    /// How many have not left and are as asked for, and those of one page of the list. A page
    /// past the last is the last.
    pub async fn page(
        conn: &mut Conn,
        which: &Which<'_>,
        page: i64,
        rows: i64,
    ) -> Result<(usize, Vec<Self>)> {
        if *which == Which::default() {
            return Self::page_by_name(conn, page, rows).await;
        }
        let words = serde_json::json!(which.words).to_string();
        let longest = which.words.iter().max_by_key(|word| word.len());
        let longest = longest.map(String::as_str).unwrap_or_default();
        let found = sqlx::query_as!(
            Found,
            r#"WITH fit AS MATERIALIZED (
                   SELECT id, sorted_as, name, joined_at FROM people
                   WHERE left_at IS NULL AND (?1 IS NULL OR (role = ?1 AND NOT guest)) AND (NOT ?2 OR guest)
                     AND (?3 IS NULL OR ?3 = (CASE WHEN password_hash IS NOT NULL THEN 'yes'
                                              WHEN email IS NULL OR guest THEN 'never' ELSE 'no-password' END))
                     -- The longest by itself: few are asked for the others.
                     AND instr(replace(sorted_as, char(8211), '-') || ' ' || lower(COALESCE(email, '')), ?8) > 0
                     AND NOT EXISTS (SELECT 1 FROM json_each(?7) w WHERE instr(
                         replace(sorted_as, char(8211), '-') || ' ' || lower(COALESCE(email, '')), w.value) = 0))
               SELECT p.id AS "id: PersonId", p.name, p.email, p.role AS "role: Role", p.guest AS "guest: bool",
                      p.password_hash IS NOT NULL AS "can_sign_in!: bool",
                      p.joined_at AS "joined_at: Moment", p.left_at AS "left_at: Moment",
                      (SELECT COUNT(*) FROM fit) AS "count!: i64"
               FROM (SELECT * FROM fit
                     ORDER BY CASE ?4 WHEN 'newest' THEN fit.joined_at END DESC,
                              CASE ?4 WHEN 'longest' THEN fit.joined_at END, fit.sorted_as, fit.name, fit.id
                     LIMIT ?6 OFFSET MAX(0, MIN(?5 - 1, ((SELECT COUNT(*) FROM fit) - 1) / ?6)) * ?6) shown
                    JOIN people p ON p.id = shown.id
               ORDER BY CASE ?4 WHEN 'newest' THEN p.joined_at END DESC,
                        CASE ?4 WHEN 'longest' THEN p.joined_at END, p.sorted_as, p.name, p.id"#,
            which.role,
            which.guests,
            which.signs_in,
            which.order,
            page,
            rows,
            words,
            longest
        )
        .fetch_all(conn)
        .await?;
        let count = found.first().map_or(0, |row| row.count);
        Ok((
            usize::try_from(count).unwrap_or_default(),
            found.into_iter().map(Self::from).collect(),
        ))
    }

    /// The same of everybody by name: out of the index.
    async fn page_by_name(conn: &mut Conn, page: i64, rows: i64) -> Result<(usize, Vec<Self>)> {
        let count =
            sqlx::query_scalar!(r#"SELECT COUNT(*) AS "n: i64" FROM people WHERE left_at IS NULL"#)
                .fetch_one(&mut *conn)
                .await?;
        let skip = (page - 1).min((count - 1) / rows).max(0) * rows;
        let people = sqlx::query_as!(
            Self,
            r#"SELECT id AS "id: PersonId", name, email, role AS "role: Role", guest AS "guest: bool",
                      password_hash IS NOT NULL AS "can_sign_in!: bool",
                      joined_at AS "joined_at: Moment", left_at AS "left_at: Moment"
               FROM people WHERE left_at IS NULL ORDER BY sorted_as, name, id LIMIT ? OFFSET ?"#,
            rows,
            skip
        )
        .fetch_all(conn)
        .await?;
        Ok((usize::try_from(count).unwrap_or_default(), people))
    }

    /// Those to choose a borrower from: whoever has this in their name or address, by name; or,
    /// where nothing is looked for, everybody, or in a large club those who borrowed last.
    /// Whoever is chosen already is among them.
    pub async fn offered(conn: &mut Conn, part: &str, chosen: &str) -> Result<Offered> {
        let wanted = sorted_as(part.trim());
        let chosen = chosen.parse::<PersonId>().ok();
        let found = sqlx::query_as!(
            Found,
            r#"WITH fit AS MATERIALIZED (
                   SELECT id FROM people
                   WHERE left_at IS NULL
                     AND (?1 = '' OR instr(sorted_as, ?1) > 0 OR instr(lower(COALESCE(email, '')), ?1) > 0)
                   ORDER BY sorted_as, name, id LIMIT ?2 + 1),
               lately AS MATERIALIZED (
                   SELECT borrower_id AS id FROM
                       (SELECT borrower_id, lent_at FROM loans ORDER BY lent_at DESC LIMIT ?4)
                   WHERE borrower_id IN (SELECT id FROM people WHERE left_at IS NULL)
                   GROUP BY borrower_id ORDER BY MAX(lent_at) DESC LIMIT ?2),
               offered AS (
                   SELECT id FROM fit WHERE ?1 <> '' OR (SELECT COUNT(*) FROM fit) <= ?2
                   UNION SELECT id FROM lately WHERE ?1 = '' AND (SELECT COUNT(*) FROM fit) > ?2
                   UNION SELECT id FROM people WHERE id = ?3 AND left_at IS NULL)
               SELECT p.id AS "id: PersonId", p.name, p.email, p.role AS "role: Role", p.guest AS "guest: bool",
                      p.password_hash IS NOT NULL AS "can_sign_in!: bool",
                      p.joined_at AS "joined_at: Moment", p.left_at AS "left_at: Moment",
                      (SELECT COUNT(*) FROM fit) AS "count!: i64"
               FROM offered JOIN people p ON p.id = offered.id ORDER BY p.sorted_as, p.name, p.id"#,
            wanted,
            MOST_OFFERED,
            chosen,
            LATELY_LENT
        )
        .fetch_all(conn)
        .await?;
        Ok(Offered {
            more: found.first().is_some_and(|row| row.count > MOST_OFFERED),
            people: found.into_iter().map(Self::from).collect(),
        })
    }

    /// Whoever a form names by their id, unless they have left.
    pub async fn chosen(conn: &mut Conn, id: &str) -> Result<Option<Self>> {
        let Ok(id) = id.parse() else {
            return Ok(None);
        };
        match Self::get(conn, id).await {
            Ok(person) => Ok(Some(person).filter(|p| p.left_at.is_none())),
            Err(Error::NotFound(_)) => Ok(None),
            Err(error) => Err(error),
        }
    }

    /// One person who has not left, as somebody names them: by their address, or by
    /// their name where only one person bears it.
    ///
    /// # Errors
    /// Refused when nobody is called that, or several are.
    pub async fn named(conn: &mut Conn, named: &str) -> Result<Self> {
        let wanted = named.split_whitespace().collect::<Vec<_>>().join(" ");
        if let Some(person) = Self::by_email(conn, &wanted).await?
            && person.left_at.is_none()
        {
            return Ok(person);
        }
        let wanted = wanted.to_lowercase();
        let mut found = Self::list(conn).await?;
        found.retain(|p| p.name.to_lowercase() == wanted);
        match found.len() {
            0 => Err(Error::Refused(format!(
                "nobody here has the address or the name {named}."
            ))),
            1 => Ok(found.remove(0)),
            several => Err(Error::Refused(format!(
                "{several} people are called {named}: give an email address."
            ))),
        }
    }

    /// How many people there are at all, and how many active coordinators who can sign in.
    pub async fn coordinators_who_can_sign_in(conn: &mut Conn) -> Result<i64> {
        Ok(sqlx::query_scalar!(
            r#"SELECT COUNT(*) AS "n: i64" FROM people
               WHERE role = 'coordinator' AND left_at IS NULL AND password_hash IS NOT NULL"#
        )
        .fetch_one(conn)
        .await?)
    }
}

/// The stored password hash of a person, for the sign-in wing only.
pub async fn password_hash(conn: &mut Conn, id: PersonId) -> Result<Option<String>> {
    Ok(
        sqlx::query_scalar!("SELECT password_hash FROM people WHERE id = ?", id)
            .fetch_optional(conn)
            .await?
            .flatten(),
    )
}

/// Sets a person's password hash (an argon2id PHC string).
pub async fn set_password_hash(conn: &mut Conn, id: PersonId, hash: &str) -> Result<()> {
    sqlx::query!("UPDATE people SET password_hash = ? WHERE id = ?", hash, id)
        .execute(conn)
        .await?;
    Ok(())
}

/// Those who work here and can take jobs on, by name.
pub async fn hands(conn: &mut Conn) -> Result<Vec<Person>> {
    let mut all = Person::list(conn).await?;
    all.retain(|p| p.role >= Role::Volunteer);
    Ok(all)
}

/// Changes a person's name, address or role. Who works here no more has no jobs.
///
/// # Errors
/// Refused when the address is someone else's, or when the last coordinator
/// who can sign in would stop being one.
pub async fn change(conn: &mut Conn, id: PersonId, new: &NewPerson, at: Moment) -> Result<()> {
    let email = new.address();
    if let Some(address) = email
        && let Some(other) = Person::by_email(conn, address).await?
        && other.id != id
    {
        return Err(Error::Refused(format!(
            "Someone else with the address {} is already on the list.",
            new.email
        )));
    }
    if new.role != Role::Coordinator {
        refuse_losing_last_coordinator(conn, id).await?;
    }
    // Without an address, or as a guest, nobody keeps a way in (the rest by a trigger).
    let sorted_as = sorted_as(&new.name);
    sqlx::query!(
        "UPDATE people SET name = ?1, email = ?2, role = ?3, guest = ?4, sorted_as = ?6,
            password_hash = CASE WHEN ?2 IS NULL OR ?4 THEN NULL ELSE password_hash END,
            totp_secret = CASE WHEN ?2 IS NULL OR ?4 THEN NULL ELSE totp_secret END
         WHERE id = ?5",
        new.name,
        email,
        new.role,
        new.guest,
        id,
        sorted_as
    )
    .execute(&mut *conn)
    .await?;
    if new.role < Role::Volunteer {
        jobs::free(conn, id, at).await?;
    }
    Ok(())
}

/// Takes a person off the list: they no longer sign in or borrow, and nothing is reserved for
/// them from today on. What they signed in logbooks stays; what they had to do is no one's yet.
///
/// # Errors
/// Refused while they have something out on loan, or when they are the last
/// coordinator who can sign in.
pub async fn leave(conn: &mut Conn, id: PersonId, at: Moment) -> Result<()> {
    let out = sqlx::query_scalar!(
        r#"SELECT COUNT(*) AS "n: i64" FROM loans WHERE borrower_id = ? AND returned_at IS NULL"#,
        id
    )
    .fetch_one(&mut *conn)
    .await?;
    if out > 0 {
        return Err(Error::Refused(
            "They still have something on loan. Take it back first.".to_owned(),
        ));
    }
    refuse_losing_last_coordinator(conn, id).await?;
    sqlx::query!(
        "UPDATE people SET left_at = ?, password_hash = NULL WHERE id = ?",
        at,
        id
    )
    .execute(&mut *conn)
    .await?;
    let today = Club::load(conn).await?.date(at);
    sqlx::query!(
        "UPDATE reservations SET cancelled_at = ?1, cancelled_by = ?2
         WHERE person_id = ?2 AND cancelled_at IS NULL AND until_on >= ?3",
        at,
        id,
        today
    )
    .execute(&mut *conn)
    .await?;
    jobs::free(conn, id, at).await
}

async fn refuse_losing_last_coordinator(conn: &mut Conn, id: PersonId) -> Result<()> {
    let others = sqlx::query_scalar!(
        r#"SELECT COUNT(*) AS "n: i64" FROM people
           WHERE role = 'coordinator' AND left_at IS NULL AND password_hash IS NOT NULL AND id <> ?"#,
        id
    )
    .fetch_one(&mut *conn)
    .await?;
    let person = Person::get(conn, id).await?;
    if person.role == Role::Coordinator && person.can_sign_in && others == 0 {
        return Err(Error::Refused(
            "They are the only coordinator who can sign in. Make another one first.".to_owned(),
        ));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::sorted_as;

    #[test]
    fn names_stand_under_their_letter() {
        let mut names = [
            "Zoe",
            "\u{c9}mile",
            "Ebbe",
            "Fatou",
            "\u{141}ucja",
            "e\u{301}mil",
            "Luc",
            "\u{d8}yvind",
            "Otto",
        ];
        names.sort_by_cached_key(|name| sorted_as(name));
        assert_eq!(
            names,
            [
                "Ebbe",
                "e\u{301}mil",
                "\u{c9}mile",
                "Fatou",
                "Luc",
                "\u{141}ucja",
                "Otto",
                "\u{d8}yvind",
                "Zoe"
            ]
        );
    }
}
