//! TLS settings read from their files.

use std::path::Path;
use std::sync::Arc;

use rumqttc::tokio_rustls::rustls::crypto::ring;
use rumqttc::tokio_rustls::rustls::pki_types::pem::PemObject;
use rumqttc::tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rumqttc::tokio_rustls::rustls::{ClientConfig, RootCertStore};

use super::settings::Tls;

/// Reads certificates and key, and makes a client of them. Blocks while it reads.
///
/// # Errors
/// A file that cannot be read or does not hold what it should, with its path.
pub fn client_config(tls: &Tls) -> Result<Arc<ClientConfig>, String> {
    let roots = match &tls.ca_file {
        Some(path) => roots_from(path)?,
        None => roots_of_the_machine()?,
    };
    // Chosen here and not by a process-wide default: ring is the only provider built in.
    let builder = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|error| format!("TLS cannot be set up: {error}"))?
        .with_root_certificates(roots);
    let Some((chain_file, key_file)) = &tls.client else {
        return Ok(Arc::new(builder.with_no_client_auth()));
    };
    let chain = certificates(chain_file)?;
    let key = PrivateKeyDer::from_pem_file(key_file)
        .map_err(|error| format!("`{}` holds no private key in PEM ({error}): check key_file", key_file.display()))?;
    builder.with_client_auth_cert(chain, key).map(Arc::new).map_err(|error| {
        let (chain_file, key_file) = (chain_file.display(), key_file.display());
        format!("`{chain_file}` and `{key_file}` do not go together ({error}): check the client certificate and its key")
    })
}

fn certificates(path: &Path) -> Result<Vec<CertificateDer<'static>>, String> {
    let certificates: Vec<_> = CertificateDer::pem_file_iter(path)
        .and_then(Iterator::collect)
        .map_err(|error| format!("cannot read certificates from `{}`: {error}", path.display()))?;
    if certificates.is_empty() {
        return Err(format!("`{}` holds no certificate in PEM", path.display()));
    }
    Ok(certificates)
}

fn roots_from(path: &Path) -> Result<RootCertStore, String> {
    let mut roots = RootCertStore::empty();
    for certificate in certificates(path)? {
        roots.add(certificate).map_err(|error| format!("`{}` holds no usable authority: {error}", path.display()))?;
    }
    Ok(roots)
}

fn roots_of_the_machine() -> Result<RootCertStore, String> {
    let mut roots = RootCertStore::empty();
    // Machines carry odd certificates; those that cannot be used are left out, as everywhere.
    roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
    if roots.is_empty() {
        return Err("this machine trusts no certificate authority: install ca-certificates, or set ca_file".to_owned());
    }
    Ok(roots)
}
