//! What kind of device a session is on, in words a person knows it again by. The
//! browser's own long name is not kept.

/// From what a browser calls itself; "" where it says nothing known.
pub fn kind(user_agent: &str) -> String {
    let has = |part: &str| user_agent.contains(part);
    let on = if has("iPhone") {
        "an iPhone"
    } else if has("iPad") {
        "an iPad"
    } else if has("Android") && has("Mobile") {
        "an Android phone"
    } else if has("Android") {
        "an Android tablet"
    } else if has("Windows") {
        "a Windows computer"
    } else if has("Macintosh") {
        "a Mac"
    } else if has("CrOS") {
        "a Chromebook"
    } else if has("Linux") || has("X11") {
        "a Linux computer"
    } else {
        ""
    };
    // Browsers name those they take after as well, so the narrower come first.
    let browser = [
        ("Firefox/", "Firefox"),
        ("FxiOS/", "Firefox"),
        ("Edg", "Edge"),
        ("OPR/", "Opera"),
        ("SamsungBrowser/", "Samsung Internet"),
        ("CriOS/", "Chrome"),
        ("Chrome/", "Chrome"),
        ("Safari/", "Safari"),
    ]
    .into_iter()
    .find(|(part, _)| has(part))
    .map_or("", |(_, name)| name);
    match (browser, on) {
        ("", "") => String::new(),
        ("", on) => on.to_owned(),
        (browser, "") => browser.to_owned(),
        (browser, on) => format!("{browser} on {on}"),
    }
}

#[cfg(test)]
mod tests {
    use super::kind;

    // What these browsers send, from memory.
    #[test]
    fn common_devices_are_told_apart() {
        for (sent, words) in [
            (
                "Mozilla/5.0 (iPhone; CPU iPhone OS 17_4 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/17.4 Mobile/15E148 Safari/604.1",
                "Safari on an iPhone",
            ),
            (
                "Mozilla/5.0 (Linux; Android 14; K) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/124.0.0.0 Mobile Safari/537.36",
                "Chrome on an Android phone",
            ),
            (
                "Mozilla/5.0 (Windows NT 10.0; Win64; x64; rv:125.0) Gecko/20100101 Firefox/125.0",
                "Firefox on a Windows computer",
            ),
            (
                "Mozilla/5.0 (Windows NT 10.0; Win64; x64) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/124.0.0.0 Safari/537.36 Edg/124.0.0.0",
                "Edge on a Windows computer",
            ),
            ("curl/8.5.0", ""),
        ] {
            assert_eq!(kind(sent), words);
        }
    }
}
