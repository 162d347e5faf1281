//! The demo club's three people to be, and what each may try.

use crate::demo;
use crate::library::people::Role;

/// One thing to try.
pub struct Step {
    /// Words before the link.
    pub before: &'static str,
    /// Words of the link.
    pub link: &'static str,
    /// Where to.
    pub href: &'static str,
    /// Words after the link.
    pub after: &'static str,
}

/// A role, the account to try it with, and what to try.
pub struct DemoPart {
    /// The role's word.
    pub role: &'static str,
    /// What they do, in words.
    pub does: &'static str,
    /// Whom to be.
    pub account: &'static demo::Account,
    /// Whether the visitor is this person now.
    pub signed_in: bool,
    /// What to try.
    pub steps: &'static [Step],
}

const fn step(
    before: &'static str,
    link: &'static str,
    href: &'static str,
    after: &'static str,
) -> Step {
    Step {
        before,
        link,
        href,
        after,
    }
}

const AS_MEMBER: &[Step] = &[
    step(
        "Look before borrowing: ",
        "N254",
        "/instruments/N254",
        " needs the bench, and says why.",
    ),
    step(
        "Compare ",
        "M127",
        "/instruments/M127",
        ", which never moves: what it will show, what is in the kit, how heavy it is.",
    ),
    step(
        "",
        "Ask for AS203",
        "/instruments/AS203/ask",
        " and say what for.",
    ),
    step(
        "See ",
        "your own loans",
        "/my-loans",
        ": one is out with you, one you are waiting for.",
    ),
];

const AS_VOLUNTEER: &[Step] = &[
    step(
        "SC235 is three weeks late and has just come in: ",
        "check it in",
        "/check-in/SC235",
        ", kit, journeys, problems and all.",
    ),
    step(
        "Nobody has ever looked at a star with M150: ",
        "write a star test",
        "/instruments/M150/star-test",
        ", by eye or from a camera's frames.",
    ),
    step(
        "",
        "Lend M127",
        "/instruments/M127/lend",
        " to the member who waits for it, saying its known limit.",
    ),
    step(
        "Read ",
        "the logbook of SC203B",
        "/instruments/SC203B/logbook",
        ": collimated again and again, and never for long.",
    ),
];

const AS_COORDINATOR: &[Step] = &[
    step(
        "Print ",
        "what is due for the bench",
        "/due",
        ", or save it as a table.",
    ),
    step("See ", "who has what", "/loans", ", and who is late."),
    step(
        "Plan ",
        "the coming work night",
        "/work-nights",
        " from what is due.",
    ),
    step(
        "Change ",
        "a limit of N254",
        "/instruments/N254/limits",
        " and see at once what would become due.",
    ),
];

fn part(account: &'static demo::Account, person: Option<&str>) -> DemoPart {
    let (does, steps) = match account.role {
        Role::Member => ("borrows telescopes", AS_MEMBER),
        Role::Volunteer => ("works the lending desk and the bench", AS_VOLUNTEER),
        Role::Coordinator => ("answers for the shelf", AS_COORDINATOR),
    };
    DemoPart {
        role: account.role.label(),
        does,
        account,
        signed_in: person == Some(account.email.as_str()),
        steps,
    }
}

/// The demo's three people; `person` is the e-mail address of who is signed in.
pub fn parts(person: Option<&str>) -> Vec<DemoPart> {
    demo::accounts().iter().map(|a| part(a, person)).collect()
}
