// Loaded before a linter: it must not tell anybody that it runs, nor ask for a newer version.
const net = require("node:net");
const dns = require("node:dns");

function refuse() {
  process.stderr.write("reached for the network\n");
  process.exit(86);
}
net.Socket.prototype.connect = refuse;
dns.lookup = refuse;
