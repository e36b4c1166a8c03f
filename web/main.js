import { post } from 'leeward/post.js';
import { showRole } from 'leeward/role.js';
import { connect } from 'leeward/socket.js';
import { start } from 'leeward/start.js';

start(connect, post);
showRole();
