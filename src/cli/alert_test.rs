//! `fadeline alert-test`: one message through every channel of the config.

use crate::clock;
use crate::notify::{message, worker};

use super::{ConfigArg, Exit, Failure, data, output};

/// Arguments of `alert-test`.
#[derive(Clone, Debug, clap::Args)]
pub struct AlertTestArgs {
    #[command(flatten)]
    config: ConfigArg,
}

/// Sends one through each and says how it went.
pub fn run(args: &AlertTestArgs) -> Result<(), Failure> {
    let config = data::load(&args.config)?;
    if config.notify.channels.is_empty() && config.notify.heartbeat.is_none() {
        let says = "the config has no channel; add a [[notify.webhook]], [[notify.push]] or [[notify.mail]]";
        return Err(Failure::new(Exit::Config, says));
    }
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Failure::new(Exit::Failure, format!("the runtime cannot start: {error}")))?;
    let notice = message::test(clock::now());
    let mut failed = 0;
    for channel in &config.notify.channels {
        let sent = runtime.block_on(worker::send(channel, &notice, "test"));
        let line = match &sent {
            Ok(()) => format!("{}: sent\n", channel.name()),
            Err(error) => format!("{}: not sent: {error}\n", channel.name()),
        };
        failed += usize::from(sent.is_err());
        output::print(&line)?;
    }
    if let Some(heartbeat) = &config.notify.heartbeat {
        let sent = runtime.block_on(worker::beat(&heartbeat.endpoint));
        failed += usize::from(sent.is_err());
        output::print(&sent.map_or_else(
            |error| format!("heartbeat {}: not sent: {error}\n", heartbeat.endpoint.host),
            |()| format!("heartbeat {}: sent\n", heartbeat.endpoint.host),
        ))?;
    }
    if failed == 0 {
        return Ok(());
    }
    Err(Failure::new(Exit::Unavailable, format!("{failed} of the channels did not take the message")))
}
