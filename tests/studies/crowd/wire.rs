//! Requests over one kept connection, as a browser keeps it. Loopback only.

use std::net::SocketAddr;
use std::time::{Duration, Instant};

use http_body_util::{BodyExt, Full};
use hyper_util::client::legacy::Client;
use hyper_util::client::legacy::connect::HttpConnector;
use hyper_util::rt::TokioExecutor;
use tubewright::library::sessions::Token;

use axum::body::Bytes;
use axum::http::{Method, Request, StatusCode, header};

/// One visitor's browser.
#[derive(Clone)]
pub struct Browser {
    client: Client<HttpConnector, Full<Bytes>>,
    address: SocketAddr,
    token: Token,
}

/// What came back, and how long it took.
pub struct Answer {
    pub status: StatusCode,
    pub location: String,
    pub body: Bytes,
    pub took: Duration,
}

impl Browser {
    pub fn new(address: SocketAddr, token: &Token) -> Self {
        assert!(address.ip().is_loopback(), "only this machine is visited");
        Self {
            client: Client::builder(TokioExecutor::new()).build_http(),
            address,
            token: token.clone(),
        }
    }

    /// Sends a request; an error when there is no whole answer within a minute.
    async fn send(
        &self,
        method: Method,
        path: &str,
        kind: &str,
        body: Bytes,
    ) -> Result<Answer, String> {
        let request = Request::builder()
            .method(method)
            .uri(format!("http://{}{path}", self.address))
            .header(header::COOKIE, format!("tubewright={}", self.token.text()))
            .header(header::CONTENT_TYPE, kind)
            .header("sec-fetch-site", "same-origin")
            .body(Full::new(body))
            .unwrap();
        let begun = Instant::now();
        let all = async {
            let response = self
                .client
                .request(request)
                .await
                .map_err(|e| format!("{path}: {e}"))?;
            let (parts, body) = response.into_parts();
            let body = body
                .collect()
                .await
                .map_err(|e| format!("{path}: {e}"))?
                .to_bytes();
            Ok::<_, String>((parts, body))
        };
        let (parts, body) = tokio::time::timeout(Duration::from_secs(60), all)
            .await
            .map_err(|_| format!("{path}: no answer in a minute"))??;
        let location = parts
            .headers
            .get(header::LOCATION)
            .and_then(|v| v.to_str().ok())
            .unwrap_or_default()
            .to_owned();
        Ok(Answer {
            status: parts.status,
            location,
            body,
            took: begun.elapsed(),
        })
    }

    pub async fn get(&self, path: &str) -> Result<Answer, String> {
        self.send(Method::GET, path, "text/plain", Bytes::new())
            .await
    }

    /// Sends a form as our own page would.
    pub async fn post(&self, path: &str, fields: &[(&str, &str)]) -> Result<Answer, String> {
        let (mark, once) = (self.token.form_mark(), uuid::Uuid::new_v4().to_string());
        let mut all = vec![("csrf", mark.as_str()), ("once", once.as_str())];
        all.extend_from_slice(fields);
        let body = serde_html_form::to_string(&all).unwrap();
        self.send(
            Method::POST,
            path,
            "application/x-www-form-urlencoded",
            Bytes::from(body),
        )
        .await
    }

    /// Sends a form with the same file so many times over.
    pub async fn upload(
        &self,
        path: &str,
        fields: &[(&str, &str)],
        field: &str,
        frame: &[u8],
        times: usize,
    ) -> Result<Answer, String> {
        const EDGE: &str = "evening-boundary";
        let (mark, once) = (self.token.form_mark(), uuid::Uuid::new_v4().to_string());
        let mut all = vec![("csrf", mark.as_str()), ("once", once.as_str())];
        all.extend_from_slice(fields);
        let mut body = Vec::new();
        for (name, value) in all {
            body.extend(
                format!(
                    "--{EDGE}\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n"
                )
                .bytes(),
            );
        }
        for number in 0..times {
            body.extend(
                format!(
                    "--{EDGE}\r\nContent-Disposition: form-data; name=\"{field}\"; filename=\"f{number:02}.fits.gz\"\r\n\
                     Content-Type: application/octet-stream\r\n\r\n"
                )
                .bytes(),
            );
            body.extend_from_slice(frame);
            body.extend(b"\r\n");
        }
        body.extend(format!("--{EDGE}--\r\n").bytes());
        let kind = format!("multipart/form-data; boundary={EDGE}");
        self.send(Method::POST, path, &kind, Bytes::from(body))
            .await
    }
}
