//! An ordinary MQTT client for the tests: publishes at QoS 1 and waits for every acknowledgement.
//! (`mosquitto_pub -l` loses messages and ends with 0; see its tracker.)

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::Sender;
use std::time::Duration;

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, PublishProperties};
use rumqttc::v5::{Client, Connection, Event, MqttOptions};

use super::daemon::PATIENCE;

fn connect(port: u16, id: &str) -> (Client, Connection) {
    let mut options = MqttOptions::new(id, "127.0.0.1", port);
    options.set_keep_alive(Duration::from_secs(60)).set_outgoing_inflight_upper_limit(100);
    options.set_max_packet_size(Some(8 << 20));
    Client::new(options, 200)
}

/// Publishes every (topic, payload) at QoS 1; returns when the broker has acknowledged all.
pub fn publish_all(port: u16, id: &str, messages: Vec<(String, Vec<u8>)>) {
    publish_counted(port, id, messages, &AtomicUsize::new(0));
}

/// The same, counting the acknowledgements where others can see them.
pub fn publish_counted(port: u16, id: &str, messages: Vec<(String, Vec<u8>)>, count_here: &AtomicUsize) {
    let count = messages.len();
    let (client, mut connection) = connect(port, id);
    let sender = std::thread::spawn(move || {
        for (topic, payload) in messages {
            client.publish(topic, QoS::AtLeastOnce, false, payload).unwrap();
        }
        client
    });
    let mut acknowledged = 0;
    while acknowledged < count {
        match connection.recv_timeout(PATIENCE) {
            Ok(Ok(Event::Incoming(Packet::PubAck(_)))) => {
                acknowledged += 1;
                count_here.store(acknowledged, Ordering::Relaxed);
            }
            Ok(Ok(_)) => {}
            other => panic!("{other:?} after {acknowledged} of {count}"),
        }
    }
    sender.join().unwrap().disconnect().unwrap();
}

/// The same through a broker that may go away meanwhile: whatever it takes, all are published and acknowledged in the
/// end, some of them perhaps twice.
pub fn publish_stubbornly(port: u16, id: &str, messages: &[(String, Vec<u8>)], count_here: &AtomicUsize) {
    let begun = std::time::Instant::now();
    while let Err(why) = try_publish(port, id, messages, count_here) {
        assert!(begun.elapsed() < PATIENCE, "{why}");
        std::thread::park_timeout(Duration::from_millis(20));
    }
}

fn try_publish(port: u16, id: &str, messages: &[(String, Vec<u8>)], count_here: &AtomicUsize) -> Result<(), String> {
    let (client, mut connection) = connect(port, id);
    let (count, mut sent, mut acknowledged) = (messages.len(), 0, 0);
    while acknowledged < count {
        // The client's own queue is as long as this.
        while sent < count && sent < acknowledged + 100 {
            let (topic, payload) = &messages[sent];
            client.try_publish(topic, QoS::AtLeastOnce, false, payload.clone()).map_err(|full| full.to_string())?;
            sent += 1;
        }
        match connection.recv_timeout(PATIENCE) {
            Ok(Ok(Event::Incoming(Packet::PubAck(_)))) => {
                acknowledged += 1;
                count_here.fetch_max(acknowledged, Ordering::Relaxed);
            }
            Ok(Ok(_)) => {}
            other => return Err(format!("{other:?} after {acknowledged} of {count}")),
        }
    }
    client.disconnect().map_err(|gone| gone.to_string())?;
    while connection.recv_timeout(PATIENCE).is_ok_and(|event| event.is_ok()) {}
    Ok(())
}

/// Publishes a request and returns the answer.
pub fn request(port: u16, topic: &str, payload: &[u8], answer: &str) -> Vec<u8> {
    request_many(port, topic, payload, answer, 1).remove(0).1
}

/// Publishes a request and returns `count` answers, the retained ones not counted; the subscription to `answer` stands
/// before the request is sent.
pub fn request_many(port: u16, topic: &str, payload: &[u8], answer: &str, count: usize) -> Vec<(String, Vec<u8>)> {
    request_until(port, topic, payload, answer, |got| got.len() == count)
}

/// The same until there are enough.
pub fn request_until(
    port: u16,
    topic: &str,
    payload: &[u8],
    answer: &str,
    mut enough: impl FnMut(&[(String, Vec<u8>)]) -> bool,
) -> Vec<(String, Vec<u8>)> {
    let (client, mut connection) = connect(port, "asker");
    client.subscribe(answer, QoS::AtLeastOnce).unwrap();
    let mut got = Vec::new();
    loop {
        match connection.recv_timeout(PATIENCE) {
            Ok(Ok(Event::Incoming(Packet::SubAck(_)))) => {
                client.publish(topic, QoS::AtLeastOnce, false, payload.to_vec()).unwrap();
            }
            Ok(Ok(Event::Incoming(Packet::Publish(publish)))) if !publish.retain => {
                got.push((String::from_utf8(publish.topic.to_vec()).unwrap(), publish.payload.to_vec()));
                if enough(&got) {
                    client.disconnect().unwrap();
                    return got;
                }
            }
            Ok(Ok(_)) => {}
            other => panic!("{other:?}: {} answers on {answer} to {topic}", got.len()),
        }
    }
}

/// Publishes a request that names its response topic and carries correlation data, as MQTT 5 has them; returns the
/// answer and the correlation data it came with.
pub fn request_by_name(port: u16, topic: &str, payload: &[u8], response: &str) -> (Vec<u8>, Option<Vec<u8>>) {
    let (client, mut connection) = connect(port, "asker");
    client.subscribe(response, QoS::AtLeastOnce).unwrap();
    loop {
        match connection.recv_timeout(PATIENCE) {
            Ok(Ok(Event::Incoming(Packet::SubAck(_)))) => {
                let properties = PublishProperties {
                    response_topic: Some(response.to_owned()),
                    correlation_data: Some(b"no 7".as_slice().into()),
                    ..PublishProperties::default()
                };
                let payload = payload.to_vec();
                client.publish_with_properties(topic, QoS::AtLeastOnce, false, payload, properties).unwrap();
            }
            Ok(Ok(Event::Incoming(Packet::Publish(publish)))) => {
                let correlation = publish.properties.and_then(|properties| properties.correlation_data);
                return (publish.payload.to_vec(), correlation.map(|data| data.to_vec()));
            }
            Ok(Ok(_)) => {}
            other => panic!("{other:?}: no answer on {response} to {topic}"),
        }
    }
}

/// Subscribes and collects messages until `enough` says so; `id` names the session.
pub fn collect(
    port: u16,
    id: &str,
    filter: &str,
    mut enough: impl FnMut(&[(String, Vec<u8>)]) -> bool,
) -> Vec<(String, Vec<u8>)> {
    let (client, mut connection) = connect(port, id);
    client.subscribe(filter, QoS::AtLeastOnce).unwrap();
    let mut got: Vec<(String, Vec<u8>)> = Vec::new();
    while !enough(&got) {
        match connection.recv_timeout(PATIENCE) {
            Ok(Ok(Event::Incoming(Packet::Publish(publish)))) => {
                got.push((String::from_utf8(publish.topic.to_vec()).unwrap(), publish.payload.to_vec()));
            }
            Ok(Ok(_)) => {}
            other => panic!("{other:?} with {} messages of {filter}", got.len()),
        }
    }
    client.disconnect().unwrap();
    got
}

/// Subscribes and hands on every message from then on, the retained ones first, until nobody listens any more. The
/// subscription stands when this returns.
pub fn listen(port: u16, id: &str, filter: &str, sender: Sender<(String, Vec<u8>)>) {
    let (client, mut connection) = connect(port, id);
    client.subscribe(filter, QoS::AtLeastOnce).unwrap();
    loop {
        match connection.recv_timeout(PATIENCE) {
            Ok(Ok(Event::Incoming(Packet::SubAck(_)))) => break,
            Ok(Ok(_)) => {}
            other => panic!("{other:?} on {filter}"),
        }
    }
    std::thread::spawn(move || {
        // The client must live as long as its connection.
        let _client = client;
        for event in connection.iter() {
            let Ok(Event::Incoming(Packet::Publish(publish))) = event else {
                if event.is_err() {
                    return;
                }
                continue;
            };
            let topic = String::from_utf8(publish.topic.to_vec()).unwrap();
            if sender.send((topic, publish.payload.to_vec())).is_err() {
                return;
            }
        }
    });
}
