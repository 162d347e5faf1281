//! How unlike the register, and how clumsy, a simulated world is: its switches.
//! The ranges stand in `README.md`, written down before anything was tuned.

/// The switches.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct World {
    pub name: &'static str,
    /// Thread pitch of all screws over the entered one: half-width of an even
    /// spread, as a share.
    pub thread: f64,
    /// Lever of each screw, likewise.
    pub lever: f64,
    /// Where each screw sits, half-width, degrees.
    pub place_deg: f64,
    /// Share of the instruments whose pivot is entered as the wrong kind: the lever
    /// is off by one and a half, either way.
    pub wrong_kind: f64,
    /// The most motion a screw loses when it is turned back, turns.
    pub play_turns: f64,
    /// The hand: 1-sigma as a share of the turn, and in turns.
    pub hand_share: f64,
    pub hand_turns: f64,
    /// How often a whole adjustment is made the wrong way.
    pub wrong_way: f64,
    /// Whether the first adjustment at the star is made the wrong way in every session.
    pub wrong_first: bool,
    /// A person's own factor on every donut's width, 1-sigma of its logarithm.
    pub width_bias: f64,
    /// What each look adds to that, from and to (drawn for each person).
    pub width_scatter: (f64, f64),
    /// A person's own factor on how uneven a ring looks, 1-sigma of its logarithm.
    pub uneven_bias: f64,
    /// A person's own turn of the thin side, 1-sigma, degrees.
    pub clock_bias_deg: f64,
    /// Share of the people who count rings, and by how many they miscount.
    pub counts_rings: f64,
    pub miscount: f64,
    /// Share of the pictures that lie mirrored against expectation.
    pub mirrored: f64,
    /// Share of the people who make no shade test, or only one.
    pub no_shade: f64,
    pub one_shade: f64,
    /// Share of the sides of focus entered wrongly, and not at all.
    pub side_wrong: f64,
    pub side_unknown: f64,
    /// Share of the checks of it that go wrong, and of the people who cannot tell.
    pub check_wrong: f64,
    pub check_unknown: f64,
    /// The air, arc seconds, from and to.
    pub seeing_arcsec: (f64, f64),
    /// Share of the people who enter how the air is (to the nearest grade).
    pub enters_air: f64,
}

/// The world of the study's first years.
pub const MILD: World = World {
    name: "mild",
    thread: 0.14,
    lever: 0.17,
    place_deg: 7.0,
    wrong_kind: 0.0,
    play_turns: 0.012,
    hand_share: 0.15,
    hand_turns: 0.002,
    wrong_way: 0.03,
    wrong_first: false,
    width_bias: 0.2,
    width_scatter: (0.0, 0.0),
    uneven_bias: 0.0,
    clock_bias_deg: 0.0,
    counts_rings: 0.0,
    miscount: 0.0,
    mirrored: 0.1,
    no_shade: 0.1,
    one_shade: 0.3,
    side_wrong: 0.1,
    side_unknown: 0.1,
    check_wrong: 0.02,
    check_unknown: 0.1,
    seeing_arcsec: (1.0, 4.0),
    enters_air: 0.0,
};

/// The harsh one.
pub const HARSH: World = World {
    name: "harsh",
    thread: 0.20,
    lever: 0.15,
    place_deg: 10.0,
    wrong_kind: 0.2,
    play_turns: 1.0 / 16.0,
    hand_share: 0.10,
    hand_turns: 1.0 / 64.0,
    wrong_way: 0.03,
    wrong_first: false,
    width_bias: 0.2,
    width_scatter: (0.12, 0.31),
    uneven_bias: 0.1,
    clock_bias_deg: 8.0,
    counts_rings: 0.25,
    miscount: 0.7,
    mirrored: 0.1,
    no_shade: 0.1,
    one_shade: 0.3,
    side_wrong: 0.1,
    side_unknown: 0.1,
    check_wrong: 0.02,
    check_unknown: 0.1,
    seeing_arcsec: (1.5, 5.0),
    enters_air: 0.7,
};

/// By its name.
#[allow(dead_code)]
pub fn by_name(name: &str) -> Option<World> {
    [MILD, HARSH].into_iter().find(|w| w.name == name)
}
