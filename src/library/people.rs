//! People: members, volunteers, coordinators. Nothing is kept of them beyond
//! what lending needs.

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

impl Person {
    /// Whether this is part of the name, capitals apart; nothing at all is of every name.
    pub fn is_called(&self, part: &str) -> bool {
        let part = part.trim().to_lowercase();
        self.name.to_lowercase().contains(&part)
    }

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
        sqlx::query!(
            "INSERT INTO people (id, name, email, role, guest, joined_at) VALUES (?, ?, ?, ?, ?, ?)",
            id,
            new.name,
            email,
            new.role,
            new.guest,
            at
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
        let mut all = sqlx::query_as!(
            Self,
            r#"SELECT id AS "id: PersonId", name, email, role AS "role: Role", guest AS "guest: bool",
                      password_hash IS NOT NULL AS "can_sign_in!: bool",
                      joined_at AS "joined_at: Moment", left_at AS "left_at: Moment"
               FROM people WHERE left_at IS NULL ORDER BY name COLLATE NOCASE, id"#
        )
        .fetch_all(conn)
        .await?;
        all.sort_by_cached_key(|person| sorted_as(&person.name));
        Ok(all)
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
    sqlx::query!(
        "UPDATE people SET name = ?1, email = ?2, role = ?3, guest = ?4,
            password_hash = CASE WHEN ?2 IS NULL OR ?4 THEN NULL ELSE password_hash END,
            totp_secret = CASE WHEN ?2 IS NULL OR ?4 THEN NULL ELSE totp_secret END
         WHERE id = ?5",
        new.name,
        email,
        new.role,
        new.guest,
        id
    )
    .execute(&mut *conn)
    .await?;
    if new.role < Role::Volunteer {
        jobs::free(conn, id, at).await?;
    }
    Ok(())
}

/// Takes a person off the list: they no longer sign in or borrow. What they
/// signed in logbooks stays; what they had to do is no one's yet.
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
