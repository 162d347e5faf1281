//! One act of one person: its transaction, its moment, its idempotency key and
//! its row in the audit log.

use library::people::Role;
use library::{Conn, Library, Moment, PersonId, Result, Write, audit_log, forms, hex};
use sha2::{Digest, Sha256};

/// Who acts, when, and from where.
#[derive(Debug, Clone)]
pub struct Actor {
    /// Who; `None` where nobody is signed in.
    pub person: Option<PersonId>,
    /// Their role.
    pub role: Option<Role>,
    /// The moment of the act: every rule reckons with this one.
    pub at: Moment,
    /// The network address, or "command line".
    pub address: String,
    /// What was asked for: a path or a command. Part of the idempotency key.
    pub what: String,
    /// What tells this sign-in session from any other; "" for none. Part of the
    /// idempotency key.
    pub session: String,
}

impl Actor {
    /// The person.
    ///
    /// # Errors
    /// Refused when nobody is signed in.
    pub fn person(&self) -> Result<PersonId> {
        self.person
            .ok_or_else(|| library::Error::Refused("Sign in first.".to_owned()))
    }

    /// Whether this is a coordinator.
    pub fn is_coordinator(&self) -> bool {
        self.role == Some(Role::Coordinator)
    }

    /// The key under which a form counts as handled: it belongs to one session and
    /// one form, so that a token that somebody else sends, or that turns up in
    /// another form, is simply another key.
    fn key(&self, token: &str) -> String {
        let mut hash = Sha256::new();
        for part in [&self.session, &self.what, token] {
            hash.update((part.len() as u64).to_le_bytes());
            hash.update(part.as_bytes());
        }
        hex(&hash.finalize())
    }
}

/// How an act begins.

pub enum Begun {
    /// For the first time: do it.
    First(Box<Act>),
    /// This very form was handled before; it led here.
    Again(String),
}

/// An act under way: the one write transaction there can be. Dropped without
/// [`finish`](Act::finish), it changes nothing.
pub struct Act {
    tx: Write,
    key: Option<String>,
    actor: Actor,
}

impl Act {
    /// Begins; `token` is the form's own, "" for what comes without one.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub async fn begin(library: &Library, actor: Actor, token: &str) -> Result<Begun> {
        let mut tx = library.write().await?;
        let key = (!token.is_empty()).then(|| actor.key(token));
        if let Some(key) = &key
            && let Some(location) = forms::earlier(&mut tx, key).await?
        {
            return Ok(Begun::Again(location));
        }
        Ok(Begun::First(Box::new(Self { tx, key, actor })))
    }

    /// Begins what cannot arrive twice: a command.
    ///
    /// # Errors
    /// When the database cannot be written.
    pub async fn single(library: &Library, actor: Actor) -> Result<Self> {
        let tx = library.write().await?;
        Ok(Self {
            tx,
            key: None,
            actor,
        })
    }

    /// Who acts.
    pub fn actor(&self) -> &Actor {
        &self.actor
    }

    /// Says who acts, where that is known only within the transaction.
    pub fn signed_by(&mut self, person: PersonId, role: Role) {
        self.actor.person = Some(person);
        self.actor.role = Some(role);
    }

    /// The moment of the act.
    pub fn at(&self) -> Moment {
        self.actor.at
    }

    /// Its transaction, to look at.
    pub fn conn_ref(&self) -> &Conn {
        &self.tx
    }

    /// Its transaction.
    pub fn conn(&mut self) -> &mut Conn {
        &mut self.tx
    }

    /// Commits. `location` is where the same form leads when it arrives again,
    /// `words` what the audit log says of it.
    ///
    /// # Errors
    /// When the database cannot be written; then nothing was.
    pub async fn finish(mut self, location: &str, words: &str) -> Result<()> {
        if let Some(key) = &self.key {
            forms::mark(&mut self.tx, key, self.actor.person, location, self.actor.at).await?;
        }
        let entry = audit_log::AuditEntry {
            at: self.actor.at,
            person: self.actor.person,
            address: &self.actor.address,
            what: &self.actor.what,
            words,
        };
        audit_log::add(&mut self.tx, &entry).await?;
        self.tx.commit().await?;
        Ok(())
    }
}
