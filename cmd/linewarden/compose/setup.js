// Joins the three members to a replica set and makes the user of the service, with no more rights than it needs.
// It is run by mongosh, as often as one likes: what is done is left as it is.
const fs = require("fs");
const secret = (name) => fs.readFileSync("/run/secrets/" + name, "utf8").trim();

const members = ["mongodb-1:27017", "mongodb-2:27017", "mongodb-3:27017"];
const root = "mongodb://root:" + encodeURIComponent(secret("mongodb-root-password")) + "@";

const first = new Mongo(root + members[0] + "/admin?directConnection=true").getDB("admin");
try {
  first.adminCommand({ replSetGetStatus: 1 });
} catch (e) {
  if (e.codeName !== "NotYetInitialized") throw e;
  first.adminCommand({
    replSetInitiate: { _id: "rs0", members: members.map((host, i) => ({ _id: i, host, priority: i === 0 ? 2 : 1 })) },
  });
  print("the replica set is joined");
}

const set = new Mongo(root + members.join(",") + "/admin?replicaSet=rs0&serverSelectionTimeoutMS=60000");
const db = set.getDB("linewarden");
const user = { pwd: secret("mongodb-password"), roles: [{ role: "readWrite", db: "linewarden" }] };
if (db.getUser("linewarden")) {
  db.updateUser("linewarden", user);
} else {
  db.createUser({ user: "linewarden", ...user });
  print("the user of the service is made");
}
