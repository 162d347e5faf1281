//! What a page's browser complained of: script errors, refusals of the content
//! policy, things that did not load.

use axum::http::Request;
use http_body_util::{BodyExt, Full};
use hyper_util::client::legacy::Client;
use hyper_util::rt::TokioExecutor;
use serde_json::Value;

use super::visitor::Visitor;

/// The complaints since this was last asked.
pub async fn complaints(visitor: &Visitor) -> Vec<String> {
    // Not part of the WebDriver standard, so the client has no call for it.
    let request = Request::post(&visitor.log_address)
        .header("content-type", "application/json")
        .body(Full::<bytes::Bytes>::from(r#"{"type":"browser"}"#))
        .unwrap();
    let client = Client::builder(TokioExecutor::new()).build_http();
    let answer = client.request(request).await.unwrap();
    let body = answer.into_body().collect().await.unwrap().to_bytes();
    let answer: Value = serde_json::from_slice(&body).unwrap();
    answer["value"]
        .as_array()
        .unwrap_or_else(|| panic!("chromedriver gave no log: {answer}"))
        .iter()
        .filter(|entry| matches!(entry["level"].as_str(), Some("SEVERE" | "WARNING")))
        .filter_map(|entry| entry["message"].as_str())
        .filter(|message| !is_the_answer_of_a_page(message, visitor))
        .map(ToOwned::to_owned)
        .collect()
}

/// A form sent back to be mended comes with status 422, of which Chromium
/// makes an entry; that is no fault. Nor is a page that a test knows is not
/// there for this visitor.
///
/// Nor is a font that came too late to be used: ours are optional (`font-display`), so
/// that no text moves; on a busy machine that happens.
fn is_the_answer_of_a_page(message: &str, visitor: &Visitor) -> bool {
    if message.contains(".woff2") && message.contains("preloaded using link preload but not used") {
        return true;
    }
    // A test that cuts the network says so.
    let cut = visitor
        .refusals
        .lock()
        .unwrap()
        .iter()
        .any(|r| r == "no network");
    if cut
        && (message.contains("net::ERR_")
            || message.contains("status of 503")
            || message.contains("status of 409"))
    {
        return true;
    }
    message.contains("Failed to load resource")
        && (message.contains("status of 422")
            || visitor
                .refusals
                .lock()
                .unwrap()
                .iter()
                .any(|path| message.contains(&format!("{}{path} ", visitor.base))))
}
