//! MQTT 3.1.1 through rumqttc.
//!
//! What it lacks beside MQTT 5: the session has no end (some brokers have a setting for it), no message expiry, no
//! response topic, no reason codes; and the broker cannot be told how large a packet may be.

use std::time::Duration;

use rumqttc::{
    AsyncClient, Event as Raw, EventLoop, LastWill, MqttOptions, Outgoing, Packet as Wire, Publish, QoS, SubscribeFilter,
    SubscribeReasonCode, TlsConfiguration, Transport,
};

use super::fault::Fault;
use super::{Event, Gone, INFLIGHT, Message, Opening, PROTOCOL_MAX_PACKET, Packet, REQUEST_CAPACITY};

pub struct Line {
    events: EventLoop,
    place: String,
}

#[derive(Clone)]
pub struct Client(AsyncClient);

pub(super) fn open(opening: &Opening<'_>) -> (Client, Line) {
    let settings = opening.settings;
    let mut options = MqttOptions::new(opening.client_id(), &settings.host, settings.port);
    options
        .set_keep_alive(opening.keep_alive())
        .set_clean_session(opening.clean)
        .set_manual_acks(true)
        .set_inflight(INFLIGHT)
        .set_max_packet_size(opening.max_packet.min(PROTOCOL_MAX_PACKET), PROTOCOL_MAX_PACKET);
    if let Some(login) = &settings.login {
        options.set_credentials(&login.user, login.password.reveal());
    }
    if let Some(will) = opening.will {
        options.set_last_will(LastWill::new(&will.topic, will.payload.clone(), QoS::AtLeastOnce, will.retain));
    }
    if let Some(tls) = &opening.tls {
        options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(tls.clone())));
    }
    let (client, events) = AsyncClient::new(options, REQUEST_CAPACITY);
    (Client(client), Line { events, place: format!("{}:{}", settings.host, settings.port) })
}

impl Line {
    pub(super) async fn poll(&mut self) -> Result<Event, Fault> {
        match self.events.poll().await {
            Ok(Raw::Incoming(packet)) => Ok(incoming(packet)),
            Ok(Raw::Outgoing(Outgoing::Publish(id))) => Ok(Event::Sent(id)),
            Ok(Raw::Outgoing(Outgoing::Disconnect)) => Ok(Event::Disconnected),
            Ok(Raw::Outgoing(_)) => Ok(Event::Other),
            Err(error) => Err(Fault::v311(&error, &self.place)),
        }
    }

    pub(super) fn keep_alive(&self) -> Duration {
        self.events.mqtt_options.keep_alive()
    }
}

fn incoming(packet: Wire) -> Event {
    match packet {
        Wire::ConnAck(connack) => Event::Connected { session_present: connack.session_present },
        Wire::Publish(publish) => Event::Message(Packet {
            topic: publish.topic,
            payload: publish.payload.to_vec(),
            retain: publish.retain,
            duplicate: publish.dup,
            id: publish.pkid,
            response_topic: None,
            correlation: None,
        }),
        Wire::PubAck(ack) => Event::Confirmed(ack.pkid, Ok(())),
        Wire::SubAck(ack) => Event::Subscribed(
            ack.return_codes
                .iter()
                .map(|code| match code {
                    SubscribeReasonCode::Success(_) => Ok(()),
                    SubscribeReasonCode::Failure => Err("Failure".to_owned()),
                })
                .collect(),
        ),
        _ => Event::Other,
    }
}

impl Client {
    pub(super) async fn subscribe(&self, filters: &[String]) -> Result<(), Gone> {
        let filters = filters.iter().map(|filter| SubscribeFilter::new(filter.clone(), QoS::AtLeastOnce));
        self.0.subscribe_many(filters).await.map_err(|_| Gone)
    }

    pub(super) async fn publish(&self, message: &Message) -> Result<(), Gone> {
        let (topic, payload) = (message.topic.clone(), message.payload.clone());
        self.0.publish(topic, QoS::AtLeastOnce, message.retain, payload).await.map_err(|_| Gone)
    }

    pub(super) async fn ack(&self, id: u16) -> Result<(), Gone> {
        let mut publish = Publish::new("", QoS::AtLeastOnce, Vec::new());
        publish.pkid = id;
        self.0.ack(&publish).await.map_err(|_| Gone)
    }

    pub(super) async fn disconnect(&self) -> Result<(), Gone> {
        self.0.disconnect().await.map_err(|_| Gone)
    }
}
