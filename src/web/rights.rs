//! Who may use a route, by role.

use crate::library::people::Role;

/// Who may use a route.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Access {
    /// Anyone, signed in or not.
    Anyone,
    /// Whoever is signed in.
    Member,
    /// Volunteers and coordinators.
    Volunteer,
    /// Coordinators.
    Coordinator,
}

impl Access {
    /// Whether a visitor with this role (`None`: not signed in) may pass.
    pub fn allows(self, role: Option<Role>) -> bool {
        match self {
            Self::Anyone => true,
            Self::Member => role.is_some(),
            Self::Volunteer => role >= Some(Role::Volunteer),
            Self::Coordinator => role >= Some(Role::Coordinator),
        }
    }

    /// In words, for the page that says no.
    pub fn words(self) -> &'static str {
        match self {
            Self::Anyone => "anyone",
            Self::Member => "signed-in members",
            Self::Volunteer => "volunteers and coordinators",
            Self::Coordinator => "coordinators",
        }
    }
}
