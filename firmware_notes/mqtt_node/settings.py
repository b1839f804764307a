# What to set for your tank, your network and your broker.

TANK = "porch"  # the tank's name in rushlight.toml
REPORT_S = 30  # report_every_s in rushlight.toml
KEEP = 500  # reports that are kept while the link is away: about 300 bytes of memory each
SLEEP = False  # True: says goodbye after each report and sleeps; for a node on a battery

HOST = "broker.lan"  # as in the broker's certificate, where TLS is used
PORT = 8883
USER = "porch-node"
PASSWORD = "change me"
TLS_CA = "ca.pem"  # the authority's certificate; "": no TLS, for a network of your own only

NTP_HOST = "pool.ntp.org"
NTP_PORT = 123


def tls():
    """Trusts what TLS_CA has signed, and nothing else."""
    import binascii
    import ssl

    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.verify_mode = ssl.CERT_REQUIRED
    with open(TLS_CA) as file:
        inside = file.read().split("-----BEGIN CERTIFICATE-----")[1].split("-----END")[0]
    context.load_verify_locations(cadata=binascii.a2b_base64(inside))  # MicroPython takes the binary form
    return context
