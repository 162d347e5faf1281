//! What a change of a limit would do, before it is made: the same rules over
//! the same logbooks, under the limits as they would be.

use super::assessment::{Assessment, Condition};
use super::limits::{self, Limits};
use super::shelf::{Fleet, Member};
use library::Moment;
use library::instruments::Design;
use library::limits::{LimitSet, LimitWhat, Whose};

/// A change of a limit that someone thinks of.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// Whose limit.
    pub whose: Whose,
    /// Which.
    pub what: LimitWhat,
    /// The new value; `None` goes back to the level above.
    pub value: Option<f64>,
}

/// One instrument that the change touches.
#[derive(Debug, Clone, PartialEq)]
pub struct Touched {
    /// Its tag.
    pub tag: String,
    /// Its name.
    pub name: String,
    /// The condition before.
    pub before: Condition,
    /// The condition after.
    pub after: Condition,
    /// Why: the reasons that come or go, in words.
    pub why: Vec<String>,
}

/// What a change would do.
#[derive(Debug, Clone, PartialEq)]
pub struct Preview {
    /// Would become due.
    pub added: Vec<Touched>,
    /// Would no longer be due.
    pub removed: Vec<Touched>,
    /// Would read otherwise, due or not as before.
    pub reread: Vec<Touched>,
    /// How many are due before.
    pub due_before: usize,
    /// How many would be due.
    pub due_after: usize,
    /// The limits the design or the instrument would have.
    pub limits: Option<Limits>,
    /// Tags whose coma to mention would lie above their coma for the bench.
    pub crossed: Vec<String>,
    /// How many instruments the limit is for.
    pub instruments: usize,
    /// How many of them keep one of their own instead.
    pub own: usize,
}

/// Works out what a change would do.
pub fn of(fleet: &Fleet, change: &Change, now: Moment) -> Preview {
    let mut sets = vec![change.as_set(now)];
    sets.extend(fleet.sets.iter().cloned());
    let mut preview = Preview {
        added: Vec::new(),
        removed: Vec::new(),
        reread: Vec::new(),
        due_before: 0,
        due_after: 0,
        limits: change.design(fleet).map(|(design, member)| match member {
            Some(m) => limits::in_force(design, m.instrument.id, &sets),
            None => limits::of_design(design, &sets),
        }),
        crossed: Vec::new(),
        instruments: 0,
        own: 0,
    };
    for member in &fleet.members {
        let before = fleet.judge(member, now);
        let after = fleet.judge_under(&sets, member, now);
        preview.due_before += usize::from(before.due.is_some());
        preview.due_after += usize::from(after.due.is_some());
        if change.is_for(member) {
            preview.instruments += 1;
            let own = limits::Source::is_instruments(&after.limits.of(change.what).source);
            preview.own += usize::from(own && matches!(change.whose, Whose::Design(_)));
            if after.limits.is_crossed() {
                preview.crossed.push(member.instrument.tag.clone());
            }
        }
        match (before.due.is_some(), after.due.is_some()) {
            (false, true) => preview.added.push(touched(member, &before, &after, &after)),
            (true, false) => preview
                .removed
                .push(touched(member, &before, &after, &before)),
            _ if before.condition != after.condition => {
                preview
                    .reread
                    .push(touched(member, &before, &after, &after));
            }
            _ => {}
        }
    }
    if matches!(change.whose, Whose::Design(_))
        && preview.limits.as_ref().is_some_and(Limits::is_crossed)
        && preview.crossed.is_empty()
    {
        preview.crossed.push("the design itself".to_owned());
    }
    preview
}

fn touched(member: &Member, before: &Assessment, after: &Assessment, why: &Assessment) -> Touched {
    Touched {
        tag: member.instrument.tag.clone(),
        name: member.instrument.name.clone(),
        before: before.condition,
        after: after.condition,
        why: why.due.as_ref().map_or_else(
            || why.reasons.clone(),
            |due| due.reasons.iter().map(|r| r.words.clone()).collect(),
        ),
    }
}

impl Change {
    /// The row it would write, as the newest.
    fn as_set(&self, now: Moment) -> LimitSet {
        let (design, instrument_id) = match self.whose {
            Whose::Design(design) => (Some(design), None),
            Whose::Instrument(id) => (None, Some(id)),
        };
        LimitSet {
            design,
            instrument_id,
            what: self.what,
            value: self.value,
            set_at: now,
            set_by: String::new(),
            reason: String::new(),
        }
    }

    fn is_for(&self, member: &Member) -> bool {
        match self.whose {
            Whose::Design(design) => member.instrument.design == design,
            Whose::Instrument(id) => member.instrument.id == id,
        }
    }

    fn design<'f>(&self, fleet: &'f Fleet) -> Option<(Design, Option<&'f Member>)> {
        match self.whose {
            Whose::Design(design) => Some((design, None)),
            Whose::Instrument(id) => fleet
                .members
                .iter()
                .find(|m| m.instrument.id == id)
                .map(|m| (m.instrument.design, Some(m))),
        }
    }
}
