//! MQTT 5 through rumqttc.

use std::time::Duration;

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{
    ConnectProperties, Filter, LastWill, Packet as Wire, PubAckReason, Publish, PublishProperties, RetainForwardRule,
    SubscribeReasonCode,
};
use rumqttc::v5::{AsyncClient, Event as Raw, EventLoop, MqttOptions};
use rumqttc::{Outgoing, TlsConfiguration, Transport};

use super::fault::Fault;
use super::{Event, Gone, INFLIGHT, Message, Opening, Packet, REQUEST_CAPACITY};

/// How many messages the broker may send ahead of our acknowledgements: what MQTT allows at most.
const RECEIVE_MAXIMUM: u16 = u16::MAX;

pub struct Line {
    events: EventLoop,
    place: String,
    client_id: String,
}

#[derive(Clone)]
pub struct Client(AsyncClient);

pub(super) fn open(opening: &Opening<'_>) -> (Client, Line) {
    let settings = opening.settings;
    let mut options = MqttOptions::new(opening.client_id(), &settings.host, settings.port);
    options
        .set_keep_alive(opening.keep_alive())
        .set_clean_start(opening.clean)
        .set_manual_acks(true)
        .set_outgoing_inflight_upper_limit(INFLIGHT);
    let expiry = if opening.clean { 0 } else { u32::try_from(settings.session_expiry.as_secs()).unwrap_or(u32::MAX - 1) };
    let properties = ConnectProperties {
        session_expiry_interval: Some(expiry),
        receive_maximum: Some(RECEIVE_MAXIMUM),
        max_packet_size: Some(u32::try_from(opening.max_packet.min(super::PROTOCOL_MAX_PACKET)).unwrap_or(u32::MAX)),
        // rumqttc would hand over aliased messages without their topic after a reconnect: none are offered.
        topic_alias_max: None,
        ..ConnectProperties::new()
    };
    options.set_connect_properties(properties);
    if let Some(login) = &settings.login {
        options.set_credentials(&login.user, login.password.reveal());
    }
    if let Some(will) = opening.will {
        options.set_last_will(LastWill::new(&will.topic, will.payload.clone(), QoS::AtLeastOnce, will.retain, None));
    }
    if let Some(tls) = &opening.tls {
        options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(tls.clone())));
    }
    let (client, events) = AsyncClient::new(options, REQUEST_CAPACITY);
    let place = format!("{}:{}", settings.host, settings.port);
    (Client(client), Line { events, place, client_id: settings.client_id.clone() })
}

impl Line {
    pub(super) async fn poll(&mut self) -> Result<Event, Fault> {
        match self.events.poll().await {
            Ok(Raw::Incoming(packet)) => Ok(incoming(packet)),
            Ok(Raw::Outgoing(Outgoing::Publish(id))) => Ok(Event::Sent(id)),
            Ok(Raw::Outgoing(Outgoing::Disconnect)) => Ok(Event::Disconnected),
            Ok(Raw::Outgoing(_)) => Ok(Event::Other),
            Err(error) => Err(Fault::v5(&error, &self.place, &self.client_id)),
        }
    }

    pub(super) fn keep_alive(&self) -> Duration {
        self.events.options.keep_alive()
    }
}

fn incoming(packet: Wire) -> Event {
    match packet {
        Wire::ConnAck(connack) => Event::Connected { session_present: connack.session_present },
        Wire::Publish(publish) => {
            let properties = publish.properties.unwrap_or_default();
            Event::Message(Packet {
                topic: String::from_utf8_lossy(&publish.topic).into_owned(),
                payload: publish.payload.to_vec(),
                retain: publish.retain,
                duplicate: publish.dup,
                id: publish.pkid,
                response_topic: properties.response_topic,
                correlation: properties.correlation_data.map(|data| data.to_vec()),
            })
        }
        Wire::PubAck(ack) => {
            let outcome = match ack.reason {
                PubAckReason::Success | PubAckReason::NoMatchingSubscribers => Ok(()),
                refused => Err(format!("{refused:?}")),
            };
            Event::Confirmed(ack.pkid, outcome)
        }
        Wire::SubAck(ack) => Event::Subscribed(
            ack.return_codes
                .iter()
                .map(|code| match code {
                    SubscribeReasonCode::Success(_) => Ok(()),
                    refused => Err(format!("{refused:?}")),
                })
                .collect(),
        ),
        _ => Event::Other,
    }
}

impl Client {
    pub(super) async fn subscribe(&self, filters: &[String]) -> Result<(), Gone> {
        let filters = filters.iter().map(|filter| Filter {
            // Retained messages once, when the subscription is new, not at every reconnection.
            retain_forward_rule: RetainForwardRule::OnNewSubscribe,
            ..Filter::new(filter, QoS::AtLeastOnce)
        });
        self.0.subscribe_many(filters).await.map_err(|_| Gone)
    }

    pub(super) async fn publish(&self, message: &Message) -> Result<(), Gone> {
        let properties = PublishProperties {
            message_expiry_interval: message.expiry.map(|expiry| u32::try_from(expiry.as_secs()).unwrap_or(u32::MAX)),
            correlation_data: message.correlation.clone().map(Into::into),
            user_properties: message.schema.map(|schema| ("schema".to_owned(), schema.to_owned())).into_iter().collect(),
            ..PublishProperties::default()
        };
        let (topic, payload) = (message.topic.clone(), message.payload.clone());
        let sent = self.0.publish_with_properties(topic, QoS::AtLeastOnce, message.retain, payload, properties).await;
        sent.map_err(|_| Gone)
    }

    pub(super) async fn ack(&self, id: u16) -> Result<(), Gone> {
        let mut publish = Publish { qos: QoS::AtLeastOnce, ..Publish::default() };
        publish.pkid = id;
        self.0.ack(&publish).await.map_err(|_| Gone)
    }

    pub(super) async fn disconnect(&self) -> Result<(), Gone> {
        self.0.disconnect().await.map_err(|_| Gone)
    }
}
