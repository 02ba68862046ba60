//! What a watch shows while it runs: the page in a browser, and figures for a monitor.

use std::net::{SocketAddr, TcpListener};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio::time::timeout;

use super::{Exit, Failure, say};
use crate::probe;
use crate::report::Over;
use crate::store;
use crate::study::Study;
use crate::text::path;
use crate::watch::live::{Door, Herald, Moment, Painted, Painter, Token, keep_figures, serve};
use crate::watch::{Event, Orders};

/// Holds the token of the page.
const TOKEN: &str = "POOLPROOF_TOKEN";
/// At the end, what is shown last gets so long to be shown.
const ENDING: Duration = Duration::from_secs(5);

/// How a watch is shown.
#[derive(Debug, clap::Args)]
pub(super) struct Showing {
    /// Shows a page in browsers while the watch runs, as 127.0.0.1:8080; it only tells.
    #[arg(long, value_name = "ADDRESS:PORT", conflicts_with_all = ["once", "at"])]
    page: Option<SocketAddr>,
    /// Holds the token that the page asks for; an address that others reach always asks for one [default:
    /// $POOLPROOF_TOKEN, else a new one, which is said].
    #[arg(long, value_name = "FILE", requires = "page")]
    token: Option<PathBuf>,
    /// Keeps the figures in this file, as OpenMetrics text, for a monitor that reads its folder.
    #[arg(long, value_name = "FILE")]
    metrics: Option<PathBuf>,
}

impl Showing {
    /// Gets ready what is asked for, before the watch begins; `None` where nothing is.
    ///
    /// # Errors
    /// When the address cannot be listened on, the token is none, or the file cannot be written.
    pub(super) fn prepare(
        &self,
        study: &Study,
        orders: &Orders,
        now: Timestamp,
    ) -> Result<Option<Show>, Failure> {
        if self.page.is_none() && self.metrics.is_none() {
            return Ok(None);
        }
        let door = match self.page {
            Some(address) => Some(self.open(address)?),
            None => None,
        };
        let (herald, moments) = Herald::new(study, &orders.zone, now);
        let mut painter = Painter::new(study, orders);
        let first = painter.paint(&moments.borrow());
        if let Some(file) = &self.metrics {
            store::put(file, first.figures.as_bytes())?;
        }
        Ok(Some(Show {
            herald,
            moments,
            painter,
            first,
            door,
            metrics: self.metrics.clone(),
        }))
    }

    /// Listens on `address`, and says how the page is reached.
    fn open(&self, address: SocketAddr) -> Result<(TcpListener, Door), Failure> {
        let busy = |error: std::io::Error| {
            let message = format!(
                "{address} cannot be listened on ({error}): give another ADDRESS:PORT with --page"
            );
            Failure::new(Exit::Usage, message)
        };
        let token = self.chosen()?;
        let others = !address.ip().to_canonical().is_loopback();
        let listener = TcpListener::bind(address).map_err(busy)?;
        listener.set_nonblocking(true).map_err(busy)?;
        let address = listener.local_addr().map_err(busy)?;
        let told = token.is_some();
        let token = match token {
            None if others => Some(Token::draw()?),
            token => token,
        };
        if others {
            say(&format!(
                "others reach {address}: the page asks for its token, but what it tells goes over the network unencrypted; `ssh -L` to a loopback address would not let it be read"
            ));
        }
        // Whoever chose the token knows it.
        let query = match &token {
            Some(token) if !told => format!("?token={}", token.text()),
            Some(_) => "?token=TOKEN".to_owned(),
            None => String::new(),
        };
        say(&format!("the page is at http://{address}/{query}"));
        Ok((listener, Door::new(address, token)))
    }

    /// The token that the person has chosen: of the file, else of the environment.
    fn chosen(&self) -> Result<Option<Token>, Failure> {
        let (text, place) = match (&self.token, std::env::var_os(TOKEN)) {
            (Some(file), _) => {
                let shown = path(file);
                let text = probe::text(file).map_err(|error| {
                    let message = format!("{shown} cannot be read ({error}): give another --token");
                    Failure::new(Exit::Usage, message)
                })?;
                (text, shown)
            }
            (None, Some(text)) => (text.to_string_lossy().into_owned(), format!("${TOKEN}")),
            (None, None) => return Ok(None),
        };
        let wrong = |error| Failure::new(Exit::Usage, format!("{place} holds no token: {error}"));
        Token::new(text.trim()).map(Some).map_err(wrong)
    }
}

/// What is ready to be shown.
pub(super) struct Show {
    herald: Herald,
    moments: watch::Receiver<Arc<Moment>>,
    painter: Painter,
    first: Painted,
    door: Option<(TcpListener, Door)>,
    metrics: Option<PathBuf>,
}

impl Show {
    /// Begins to show, beside whatever the runtime does.
    pub(super) fn begin(self) -> std::io::Result<Shown> {
        let (painted, pictures) = watch::channel(Arc::new(self.first));
        let mut tasks = JoinSet::new();
        if let Some((listener, door)) = self.door {
            let listener = tokio::net::TcpListener::from_std(listener)?;
            tasks.spawn(serve(listener, door, pictures.clone()));
        }
        if let Some(file) = self.metrics {
            tasks.spawn(keep_figures(file, pictures.clone(), say));
        }
        tasks.spawn(self.painter.paint_all(self.moments, painted));
        Ok(Shown {
            herald: self.herald,
            tasks,
        })
    }
}

/// What is being shown.
pub(super) struct Shown {
    herald: Herald,
    tasks: JoinSet<()>,
}

impl Shown {
    /// Shows what happened.
    pub(super) fn hear(&mut self, event: &Event<'_>) {
        self.herald.hear(event, Timestamp::now());
    }

    /// Shows how it ended, and ends; what hangs is left behind.
    pub(super) async fn end(mut self, over: Over) {
        self.herald.end(over, Timestamp::now());
        let all = async { while self.tasks.join_next().await.is_some() {} };
        drop(timeout(ENDING, all).await);
    }
}
